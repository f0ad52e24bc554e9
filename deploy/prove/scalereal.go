package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strconv"
	"strings"
	"sync"
	"time"

	"chapterhouse/deploy/faults"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
	"chapterhouse/pipeline/queue/jetstream"
	"chapterhouse/pipeline/store"
	"chapterhouse/pipeline/store/s3"
	"chapterhouse/pipeline/store/s3/s3test"
)

// Real parts: the program as coordinator, an S3 server and a broker that syncs
// every write, each a process of its own on this machine. Hands are in ours.
type realParts struct {
	*site
	program string
	gateway *s3test.Gateway
	broker  *faults.Broker
}

func (s *site) newParts(ctx context.Context) (*realParts, error) {
	if _, err := s3test.Find(); err != nil {
		return nil, err
	}
	p := &realParts{site: s}
	var err error
	if p.program, err = s.build(ctx, "./cmd/chapterhouse"); err != nil {
		return nil, err
	}
	natsd, err := s.build(ctx, "./deploy/faults/natsd")
	if err != nil {
		return nil, err
	}
	for _, dir := range []string{"gateway", "broker"} {
		if err := os.MkdirAll(s.path(dir), 0o755); err != nil {
			return nil, err
		}
	}
	if p.gateway, err = s3test.Start(s.path("gateway")); err != nil {
		return nil, err
	}
	if err = p.gateway.NewBucket("night"); err == nil {
		p.broker, err = faults.NewBroker(ctx, natsd, s.path("broker"), 1)
	}
	if err != nil {
		p.gateway.Stop()
		return nil, err
	}
	return p, nil
}

func (p *realParts) end() {
	p.broker.Kill()
	p.gateway.Stop()
}

func (p *realParts) bucket(ctx context.Context, prefix string) (*s3.Store, error) {
	return s3.Open(ctx, s3.Options{
		Endpoint: p.gateway.Endpoint, Region: s3test.Region, Bucket: "night", Prefix: prefix,
		AccessKey: p.gateway.AccessKey, SecretKey: p.gateway.SecretKey,
	})
}

func (p *realParts) rings(ctx context.Context, name string, slots int, leaseOnly bool) (*jetstream.Queue, error) {
	nc, err := jetstream.Dial("nats://"+p.broker.Addr(0), name, func(error) {})
	if err != nil {
		return nil, err
	}
	return jetstream.Connect(ctx, nc, jetstream.Options{Slots: slots, Replicas: 1, LeaseOnly: leaseOnly})
}

// coordinator starts the program over a prefix of the bucket.
func (p *realParts) coordinator(prefix string, slots int) (*faults.Process, error) {
	return faults.Start(faults.Command{
		Name: "coordinator-" + prefix, Dir: p.dir, Args: []string{p.program, "coordinator"},
		Env: []string{
			"CHAPTERHOUSE_STORE=s3://night/" + prefix, "CHAPTERHOUSE_S3_ENDPOINT=" + p.gateway.Endpoint, "CHAPTERHOUSE_S3_REGION=" + s3test.Region,
			"CHAPTERHOUSE_S3_ACCESS_KEY=" + p.gateway.AccessKey, "CHAPTERHOUSE_S3_SECRET_KEY=" + p.gateway.SecretKey,
			"CHAPTERHOUSE_BROKER_URL=nats://" + p.broker.Addr(0), "CHAPTERHOUSE_BROKER_REPLICAS=1", "CHAPTERHOUSE_NAME=one", "CHAPTERHOUSE_LOG=warn",
			fmt.Sprintf("CHAPTERHOUSE_NIGHT_SLOTS=%d", slots),
		},
	})
}

// A realNight is what a night on real parts cost each of them.
type realNight struct {
	ledger
	peakMiB                     float64 // coordinator, resident
	gatewayS, brokerS, machineS float64 // processor; of the whole machine, whoever used it
}

// night serves titles with so many slots.
func (p *realParts) night(ctx context.Context, b books, slots int) (n realNight, err error) {
	n.books, n.slots = b, slots
	prefix := fmt.Sprintf("slots-%d", slots)
	s, err := p.bucket(ctx, prefix)
	if err != nil {
		return n, err
	}
	defer s.Close()
	if err := b.submit(ctx, s); err != nil {
		return n, err
	}
	q, err := p.rings(ctx, "hands", slots, true)
	if err != nil {
		return n, err
	}
	defer q.Close()
	before, err := p.used()
	if err != nil {
		return n, err
	}
	co, err := p.coordinator(prefix, slots)
	if err != nil {
		return n, err
	}
	defer co.Kill()
	ctx, stop := context.WithCancel(ctx)
	h := &hands{store: s, queue: q, events: q.Events(bookEngine().ID()), engine: bookEngine(), slots: slots, says: slots}
	var handsErr error
	var working sync.WaitGroup
	began := time.Now()
	working.Go(func() {
		handsErr = h.work(ctx)
		stop()
	})
	err = stood(ctx, s, co)
	n.firstS, n.wallS = h.began(began)
	stop()
	working.Wait()
	if err = errors.Join(handsErr, err); err != nil {
		return n, err
	}
	after, err := p.used()
	if err != nil {
		return n, err
	}
	own, err := procfs("/proc").processor(co.PID())
	if err != nil {
		return n, err
	}
	n.allS, n.gatewayS, n.brokerS, n.machineS = own, after[0]-before[0], after[1]-before[1], after[2]-before[2]
	if n.peakMiB, err = co.PeakMiB(); err != nil {
		return n, err
	}
	n.rings, n.made, n.twice = int(h.rings.Load()), h.made.Load(), h.twice.Load()
	n.idle = time.Duration(h.idle.Load()).Seconds() / (n.wallS * float64(slots))
	return n, n.look(context.WithoutCancel(ctx), s)
}

// stood waits until no title has an unfinished run.
func stood(ctx context.Context, s store.Store, co *faults.Process) error {
	for {
		open := 0
		err := s.List(ctx, "open/", func(store.Info) error { open++; return nil })
		if err != nil || open == 0 {
			return err
		}
		select {
		case <-co.Done():
			return fmt.Errorf("the coordinator ended: %s", co.Says())
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(500 * time.Millisecond):
		}
	}
}

// used is the processor seconds of gateway, broker and machine so far.
func (p *realParts) used() (s [3]float64, err error) {
	for i, pid := range []int{p.gateway.Pid(), p.broker.PID(0)} {
		if s[i], err = procfs("/proc").processor(pid); err != nil {
			return s, err
		}
	}
	s[2], err = procfs("/proc").busy()
	return s, err
}

const tick = 0.01 // seconds: USER_HZ, in which Linux counts in /proc

// processor is the processor seconds, user and system, of a process so far.
func (p procfs) processor(pid int) (float64, error) {
	text, err := os.ReadFile(p.of(pid, "stat"))
	if err != nil {
		return 0, err
	}
	// From the third field on (proc(5)): utime and stime are the 14th and 15th.
	f := strings.Fields(string(text[strings.LastIndexByte(string(text), ')')+1:]))
	if len(f) < 13 {
		return 0, fmt.Errorf("/proc has no times of process %d", pid)
	}
	user, err1 := strconv.ParseFloat(f[11], 64)
	system, err2 := strconv.ParseFloat(f[12], 64)
	return tick * (user + system), errors.Join(err1, err2)
}

// busy is the processor seconds that the machine has spent on anything.
func (p procfs) busy() (float64, error) {
	text, err := os.ReadFile(string(p) + "/stat")
	if err != nil {
		return 0, err
	}
	line, _, _ := strings.Cut(string(text), "\n")
	total := 0.0
	for i, f := range strings.Fields(line) {
		if i == 0 || i == 4 || i == 5 || i > 8 { // its name, idle, waiting for a disk, guests (counted in user)
			continue
		}
		n, err := strconv.ParseFloat(f, 64)
		if err != nil {
			return 0, err
		}
		total += n
	}
	return tick * total, nil
}

// publishes is how many rings a second go out one after another, as a
// coordinator sends them.
func (p *realParts) publishes(ctx context.Context, n int) (float64, error) {
	q, err := p.rings(ctx, "rings", 64, false)
	if err != nil {
		return 0, err
	}
	defer q.Close()
	began := time.Now()
	for i := range n {
		r := queue.Ring{Engine: "00000000", Class: queue.Overnight, Key: pipeline.DigestOf([]byte(strconv.Itoa(i)))}
		if err := q.Submit(ctx, r); err != nil {
			return 0, err
		}
	}
	return float64(n) / time.Since(began).Seconds(), nil
}

// requests is how many small requests a second the gateway answers to so many
// callers at once: a third each creates, reads, and looks for what is not there.
func (p *realParts) requests(ctx context.Context, callers, each int) (float64, error) {
	s, err := p.bucket(ctx, "requests")
	if err != nil {
		return 0, err
	}
	defer s.Close()
	errs := make([]error, callers)
	var all sync.WaitGroup
	began := time.Now()
	for c := range callers {
		all.Go(func() {
			for i := range each {
				name := fmt.Sprintf("commits/%d-%d.json", c, i)
				err := store.Create(ctx, s, name, []byte(strings.Repeat("commit ", 200)))
				if err == nil {
					_, err = store.ReadObject(ctx, s, name)
				}
				if err == nil {
					if _, err = s.Stat(ctx, name+".absent"); errors.Is(err, store.ErrAbsent) {
						err = nil
					}
				}
				if errs[c] = err; err != nil {
					return
				}
			}
		})
	}
	all.Wait()
	return float64(3*callers*each) / time.Since(began).Seconds(), errors.Join(errs...)
}
