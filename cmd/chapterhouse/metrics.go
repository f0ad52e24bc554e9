package main

import (
	"context"
	"errors"
	"net"
	"net/http"
	"time"

	"chapterhouse/coordinator"
	"chapterhouse/pipeline"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"go.uber.org/zap"
)

// newMetrics is what every service tells of itself.
func newMetrics(connected func() bool) *prometheus.Registry {
	r := prometheus.NewRegistry()
	r.MustRegister(
		collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}),
		prometheus.NewGaugeFunc(prometheus.GaugeOpts{
			Name: "chapterhouse_broker_up", Help: "1 while this process is connected to the broker.",
		}, func() float64 {
			if connected() {
				return 1
			}
			return 0
		}),
	)
	return r
}

// nightMetrics are a coordinator's: how the night goes, at the moment that
// somebody asks.
type nightMetrics struct {
	night func() coordinator.Night
	all   []nightMetric
}

type nightMetric struct {
	desc *prometheus.Desc
	kind prometheus.ValueType
	of   func(coordinator.Night) float64
}

func newNightMetrics(night func() coordinator.Night) *nightMetrics {
	m := &nightMetrics{night: night}
	gauge := func(name, help string, of func(coordinator.Night) int) {
		m.all = append(m.all, nightMetric{
			prometheus.NewDesc(name, help, nil, nil), prometheus.GaugeValue, func(n coordinator.Night) float64 { return float64(of(n)) },
		})
	}
	gauge("chapterhouse_titles_open", "Titles with an unfinished run.", func(n coordinator.Night) int { return n.Titles })
	gauge("chapterhouse_titles_overdue", "Open titles whose due date has passed.", func(n coordinator.Night) int { return n.Overdue })
	gauge("chapterhouse_chapters_left", "Chapters of open titles that are not finished.", func(n coordinator.Night) int { return n.Chapters })
	gauge("chapterhouse_rings_out", "Rings that are waiting or in a worker's hands.", func(n coordinator.Night) int { return n.Rings })
	gauge("chapterhouse_holes", "Chapters of open titles that will not be there.", func(n coordinator.Night) int { return n.Holes })
	gauge("chapterhouse_workers", "Workers that were heard of lately.", func(n coordinator.Night) int { return n.Workers })
	gauge("chapterhouse_slots", "Slots of those workers, at most night.slots.", func(n coordinator.Night) int { return n.Slots })
	m.all = append(m.all, nightMetric{
		prometheus.NewDesc("chapterhouse_reconcile_errors_total", "Passes over a title or the night that failed.", nil, nil),
		prometheus.CounterValue, func(n coordinator.Night) float64 { return float64(n.Faults) },
	})
	return m
}

// Describe and Collect are a prometheus.Collector's.
func (m *nightMetrics) Describe(to chan<- *prometheus.Desc) {
	for _, one := range m.all {
		to <- one.desc
	}
}

func (m *nightMetrics) Collect(to chan<- prometheus.Metric) {
	now := m.night()
	for _, one := range m.all {
		to <- prometheus.MustNewConstMetric(one.desc, one.kind, one.of(now))
	}
}

// jobMetrics are a worker's.
type jobMetrics struct {
	jobs    *prometheus.CounterVec
	seconds prometheus.Histogram
	infra   prometheus.Counter
}

// Outcomes of a job as alerts know them: a job that the machine spoiled or
// that was stopped will be done again.
var outcomes = map[string]string{"done": "done", "failed": "failed", "infra": "retried", "stopped": "retried", "lost": "lost"}

func newJobMetrics(r prometheus.Registerer) *jobMetrics {
	m := &jobMetrics{
		jobs: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "chapterhouse_jobs_total", Help: "Jobs by what became of them.",
		}, []string{"outcome"}),
		seconds: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "chapterhouse_job_seconds", Help: "Time that finished jobs took.",
			Buckets: prometheus.ExponentialBuckets(0.5, 2, 14), // to over an hour
		}),
		infra: prometheus.NewCounter(prometheus.CounterOpts{
			Name: "chapterhouse_infra_errors_total", Help: "Tries that disk, network or storage spoiled.",
		}),
	}
	for _, name := range outcomes {
		m.jobs.WithLabelValues(name) // a rate needs the zero
	}
	r.MustRegister(m.jobs, m.seconds, m.infra)
	return m
}

// ended counts a ring that was answered; one whose results were there already
// was no job.
func (m *jobMetrics) ended(outcome string, took time.Duration) {
	if name, ok := outcomes[outcome]; ok {
		m.jobs.WithLabelValues(name).Inc()
	}
	if outcome == "done" {
		m.seconds.Observe(took.Seconds())
	}
}

// serveMetrics answers /metrics and /healthz at an address until stop is
// called; lost is told when it can't any longer. /healthz tells that the
// process is alive, whatever the broker does: who restarts it for a broker's
// fault only loses the jobs in hand.
func serveMetrics(address string, r *prometheus.Registry, log *zap.Logger, lost func(error)) (stop func(), err error) {
	l, err := net.Listen("tcp", address)
	if err != nil {
		return nil, badSetting("metrics: %w; give an address that is free here, as 127.0.0.1:9464", err)
	}
	log.Info("metrics", zap.Stringer("address", l.Addr()))
	pages := http.NewServeMux()
	pages.Handle("GET /metrics", promhttp.HandlerFor(r, promhttp.HandlerOpts{}))
	pages.HandleFunc("GET /healthz", func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write([]byte("ok\n")) })
	s := &http.Server{Handler: pages, ReadHeaderTimeout: 10 * time.Second, ReadTimeout: 30 * time.Second, WriteTimeout: 30 * time.Second, MaxHeaderBytes: 64 << 10}
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		if err := s.Serve(l); !errors.Is(err, http.ErrServerClosed) {
			lost(pipeline.Errorf(pipeline.Infra, "metrics", "%w", err))
		}
	}()
	return func() {
		ctx, cancel := context.WithTimeout(context.Background(), time.Second)
		defer cancel()
		if s.Shutdown(ctx) != nil {
			_ = s.Close()
		}
		<-ended
	}, nil
}
