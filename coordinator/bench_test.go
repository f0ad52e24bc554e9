package coordinator

import (
	"context"
	"flag"
	"fmt"
	"runtime"
	"syscall"
	"testing"
	"time"

	"go.uber.org/zap"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/check"
	"chapterhouse/pipeline/queue"
	queuememory "chapterhouse/pipeline/queue/memory"
	"chapterhouse/pipeline/store"
)

var titlesFlag = flag.Int("titles", 20, "titles of BenchmarkNight")

// BenchmarkNight is what a coordinator spends on a chapter: titles of 60
// chapters, results that cost nothing, a store in memory.
func BenchmarkNight(b *testing.B) {
	const chapters = 60
	for b.Loop() {
		f := &fleet{world: newWorld(b), events: &queuememory.Events{}, ended: make(chan struct{}, 100)}
		for i := range *titlesFlag {
			f.book(fmt.Sprintf("title-%04d-0", i), chapters, Order{})
		}
		var before runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&before)
		co := &Coordinator{Store: f.store, Queue: f.queue, Events: f.events, Engine: f.sub.Engine, Slots: 64, Scan: time.Minute, Checks: check.Builtin(), Log: zap.NewNop()}
		ctx, stop := context.WithCancel(b.Context())
		var spent float64
		ended := make(chan struct{})
		go func() {
			defer close(ended)
			runtime.LockOSThread()
			_ = co.Run(ctx)
			var r syscall.Rusage
			_ = syscall.Getrusage(1, &r) // RUSAGE_THREAD
			spent = float64(r.Utime.Nano()+r.Stime.Nano()) / 1e9
		}()
		for range 4 {
			go func() {
				for ctx.Err() == nil {
					f.events.Say(queue.Event{Worker: "w", Beat: &queue.Beat{Engine: f.sub.Engine, Slots: 64}})
					lease, err := f.queue.Lease(ctx, f.sub.Engine.ID(), 200*time.Millisecond)
					if err != nil {
						continue
					}
					for _, key := range append([]pipeline.Digest{lease.Ring().Key}, lease.Ring().With...) {
						if f.there(commitName(key)) {
							continue
						}
						var r pipeline.Recipe
						if err := store.ReadJSON(ctx, f.store, recipeName(key), &r); err == nil {
							f.commit(r)
							f.events.Say(queue.Event{Key: key, Done: true})
						}
					}
					_ = lease.Done(ctx)
				}
			}()
		}
		most, start := uint64(0), time.Now()
		for {
			time.Sleep(500 * time.Millisecond)
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			most = max(most, m.HeapInuse)
			open, err := Open(ctx, f.store)
			if err != nil {
				b.Fatal(err)
			}
			if len(open) == 0 {
				break
			}
			if *titlesFlag > 100 {
				fmt.Println(len(open), time.Since(start), most>>20, co.Night())
			}
		}
		stop()
		<-ended
		n := float64(*titlesFlag * chapters)
		b.ReportMetric(spent*1e3/n, "cpu-ms/chapter")
		b.ReportMetric(float64(most-before.HeapInuse)/n/1024, "KiB/chapter")
	}
}
