package main

import (
	"slices"
	"strings"
	"testing"
	"time"

	"chapterhouse/coordinator"
)

// TestMetrics: alerts name these, so the names stay and each says what it counts.
func TestMetrics(t *testing.T) {
	r := newMetrics(func() bool { return true })
	night := coordinator.Night{Titles: 7, Overdue: 2, Chapters: 90, Holes: 3, Rings: 12, Workers: 4, Slots: 16, Faults: 5}
	r.MustRegister(newNightMetrics(func() coordinator.Night { return night }))
	jobs := newJobMetrics(r)
	for _, outcome := range []string{"done", "done", "found", "failed", "infra", "stopped", "lost"} {
		jobs.ended(outcome, 3*time.Second)
	}
	jobs.infra.Inc()
	all, err := r.Gather()
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]float64{}
	for _, family := range all {
		if !strings.HasPrefix(family.GetName(), "chapterhouse_") {
			continue
		}
		if family.GetHelp() == "" {
			t.Errorf("%s does not say what it is", family.GetName())
		}
		for _, m := range family.GetMetric() {
			name := family.GetName()
			for _, l := range m.GetLabel() {
				name += "{" + l.GetName() + "=" + l.GetValue() + "}"
			}
			got[name] = m.GetGauge().GetValue() + m.GetCounter().GetValue() + float64(m.GetHistogram().GetSampleCount())
		}
	}
	want := map[string]float64{
		"chapterhouse_titles_open": 7, "chapterhouse_titles_overdue": 2, "chapterhouse_chapters_left": 90, "chapterhouse_rings_out": 12,
		"chapterhouse_holes": 3, "chapterhouse_workers": 4, "chapterhouse_slots": 16, "chapterhouse_reconcile_errors_total": 5,
		"chapterhouse_jobs_total{outcome=done}": 2, "chapterhouse_jobs_total{outcome=failed}": 1, "chapterhouse_jobs_total{outcome=retried}": 2,
		"chapterhouse_jobs_total{outcome=lost}": 1, "chapterhouse_job_seconds": 2, "chapterhouse_infra_errors_total": 1, "chapterhouse_broker_up": 1,
	}
	for _, name := range append(sortedKeys(want), sortedKeys(got)...) {
		if got[name] != want[name] {
			t.Errorf("%s is %v, not %v", name, got[name], want[name])
		}
	}
	if !slices.Equal(sortedKeys(got), sortedKeys(want)) {
		t.Errorf("there are %v", sortedKeys(got))
	}
}
