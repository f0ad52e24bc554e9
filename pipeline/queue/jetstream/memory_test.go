package jetstream

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
)

// BenchmarkMemory reports the resident memory of a process with a server in
// it, idle and after 1,000 rings: a process of its own, since tests need more.
func BenchmarkMemory(b *testing.B) {
	for b.Loop() {
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), roleVar+"=measure", dirVar+"="+b.TempDir())
		out, err := cmd.CombinedOutput()
		if err != nil {
			b.Fatalf("%v: %s", err, out)
		}
		for field := range strings.FieldsSeq(string(out)) {
			var value float64
			name, text, _ := strings.Cut(field, "=")
			if _, err := fmt.Sscan(text, &value); err != nil {
				b.Fatalf("%q: %v", field, err)
			}
			b.ReportMetric(value, name+"-MiB")
		}
	}
	b.ReportMetric(0, "ns/op")
}

func measureMemory(dir string) error {
	ctx := context.Background()
	fmt.Printf("before=%.1f\n", resident())
	s, err := Embedded(dir)
	if err != nil {
		return err
	}
	q, err := s.Queue(ctx, 4)
	if err != nil {
		return err
	}
	ring := queue.Ring{Engine: "a3f9c0de", Class: queue.Overnight, Key: pipeline.DigestOf(nil)}
	if err := q.Submit(ctx, ring); err != nil {
		return err
	}
	if err := q.Withdraw(ctx, ring); err != nil {
		return err
	}
	time.Sleep(time.Second)
	fmt.Printf("idle=%.1f\n", resident())
	for n := range 1000 {
		ring.Key = pipeline.DigestOf(fmt.Append(nil, n))
		ring.With = []pipeline.Digest{ring.Key, ring.Key, ring.Key}
		if err := q.Submit(ctx, ring); err != nil {
			return err
		}
	}
	fmt.Printf("submitted=%.1f\n", resident())
	for range 1000 {
		l, err := q.Lease(ctx, ring.Engine, 5*time.Second)
		if err != nil {
			return err
		}
		if err := l.Done(ctx); err != nil {
			return err
		}
	}
	fmt.Printf("done=%.1f\n", resident())
	q.Close()
	s.Close()
	return nil
}

// resident is this process's resident memory in MiB.
func resident() float64 {
	text, err := os.ReadFile("/proc/self/statm")
	if err != nil {
		return 0
	}
	var size, pages float64
	_, _ = fmt.Sscan(string(text), &size, &pages)
	return pages * float64(os.Getpagesize()) / (1 << 20)
}

func BenchmarkSubmitLeaseDone(b *testing.B) {
	s, err := Embedded(b.TempDir())
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	q, err := s.Queue(b.Context(), 4)
	if err != nil {
		b.Fatal(err)
	}
	defer q.Close()
	ring := queue.Ring{Engine: "a3f9c0de", Class: queue.Overnight}
	for n := 0; b.Loop(); n++ {
		ring.Key = pipeline.DigestOf(fmt.Append(nil, n))
		if err := q.Submit(b.Context(), ring); err != nil {
			b.Fatal(err)
		}
		l, err := q.Lease(b.Context(), ring.Engine, time.Second)
		if err != nil {
			b.Fatal(err)
		}
		if err := l.Done(b.Context()); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "rings/s")
}

func BenchmarkSubmit(b *testing.B) {
	s, err := Embedded(b.TempDir())
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	q, err := s.Queue(b.Context(), 4)
	if err != nil {
		b.Fatal(err)
	}
	defer q.Close()
	ring := queue.Ring{Engine: "a3f9c0de", Class: queue.Overnight}
	for n := 0; b.Loop(); n++ {
		ring.Key = pipeline.DigestOf(fmt.Append(nil, n))
		if err := q.Submit(b.Context(), ring); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "rings/s")
}
