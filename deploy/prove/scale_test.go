package main

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store/s3/s3test"
)

// TestInMemory serves a few titles: all of them stand, and what was counted is
// what they take.
func TestInMemory(t *testing.T) {
	h, err := demoHouse(filepath.Join("..", ".."))
	if err != nil {
		t.Fatal(err)
	}
	b := books{house: h, titles: 3, length: 4}
	l, err := inMemory(t.Context(), b, 2, 50*time.Millisecond)
	if err != nil {
		t.Fatal(err)
	}
	if l.stood != 3 || l.whole != 12 || l.made != 6*12 || l.twice > int64(l.again) || l.rings < 4*12 {
		t.Errorf("%d titles stand, %d chapters are whole, %d results, %d twice, %d rings", l.stood, l.whole, l.made, l.twice, l.rings)
	}
	if l.most == 0 || l.most > ringsASlot*2 {
		t.Errorf("%d rings were out at a time", l.most)
	}
	// Each result has a recipe and a commit; fits and levels are no one's job.
	pure := 3 * (1 + 1) // one for both specs, whose levels are alike
	for kind, want := range map[string]int{"recipes": 72 + pure, "commits": 72 + pure, "blobs": 12 + 24, "open": 0} {
		if l.objects[kind] != want {
			t.Errorf("%d %s, want %d", l.objects[kind], kind, want)
		}
	}
	if got := l.objects["attempts"]; got != 72+int(l.twice) {
		t.Errorf("%d tries, want one for each result", got)
	}
	if l.allS <= 0 || l.threadS <= 0 || l.calls["Swap"] < 72 || l.handCalls < 72*6 {
		t.Errorf("%+v", l)
	}
}

// TestRealParts serves a title on a gateway and a broker.
func TestRealParts(t *testing.T) {
	if _, err := s3test.Find(); err != nil {
		if os.Getenv("CHAPTERHOUSE_REQUIRE") == "all" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
	s, err := newSite(order{root: filepath.Join("..", ".."), seed: 1}, t.Output())
	if err != nil {
		t.Fatal(err)
	}
	defer s.close()
	h, err := demoHouse(s.root)
	if err != nil {
		t.Fatal(err)
	}
	r, err := s.realNights(t.Context(), books{house: h, titles: 2, length: 2}, []int{2})
	if err != nil {
		t.Fatal(err)
	}
	n := r.nights[0]
	if n.stood != 2 || n.whole != 4 || n.made != 24 || n.twice != 0 || n.rings < 16 {
		t.Errorf("%d titles stand, %d chapters are whole, %d results, %d twice, %d rings", n.stood, n.whole, n.made, n.twice, n.rings)
	}
	if n.allS <= 0 || n.gatewayS <= 0 || n.peakMiB < 5 || r.publishes <= 0 || r.requests <= 0 {
		t.Errorf("%+v", r)
	}
}

// aLedger is a night in which all went well.
func aLedger(titles int, msAChapter float64) ledger {
	b := books{titles: titles, length: 10}
	n := float64(b.chapters())
	return ledger{
		books: b, slots: 4, wallS: n / 100, threadS: n * msAChapter / 1e3, allS: n * msAChapter / 1e3, heap: n * 1e3, storeHeap: n * 1e4,
		rings: 4 * b.chapters(), most: 16, made: int64(6 * n), calls: map[string]int{"Get": 30 * b.chapters()}, handCalls: 42 * b.chapters(),
		stood: titles, whole: b.chapters(),
	}
}

func TestScaleIsHeld(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(few, many *ledger, r *realRun)
		want   bool
	}{
		{"all is well", func(_, _ *ledger, _ *realRun) {}, true},
		{"a title is left", func(_, many *ledger, _ *realRun) { many.stood-- }, false},
		{"a hole", func(_, many *ledger, _ *realRun) { many.whole-- }, false},
		{"made twice", func(few, _ *ledger, _ *realRun) { few.twice = 1 }, false},
		{"made twice, as rung again", func(few, _ *ledger, _ *realRun) { few.twice, few.again = 1, 1 }, true},
		{"too many rings", func(_, many *ledger, _ *realRun) { many.most++ }, false},
		{"more titles cost more each", func(_, many *ledger, _ *realRun) { many.allS *= 1.6 }, false},
		{"all cost too much", func(few, many *ledger, _ *realRun) { few.allS *= 400; many.allS *= 400 }, false},
		{"much memory", func(_, many *ledger, _ *realRun) { many.heap = 2e9 }, false},
		{"slow at few slots", func(_, _ *ledger, r *realRun) { r.nights[0].wallS *= 50 }, true},
		{"slow at all", func(_, _ *ledger, r *realRun) { r.nights[0].wallS *= 50; r.nights[1].wallS *= 50 }, false},
		{"made twice on real parts", func(_, _ *ledger, r *realRun) { r.nights[1].twice = 1 }, false},
	} {
		few, many := aLedger(10, 1), aLedger(100, 1.2)
		r := realRun{publishes: 500, requests: 1800}
		for range 2 {
			n := realNight{ledger: aLedger(10, 10)}
			r.nights = append(r.nights, n)
		}
		c.change(&few, &many, &r)
		var tab table
		fillMemoryNights(&tab, few, many, 30)
		fillReal(&tab, r, many, 30)
		if got := tab.met(); got != c.want {
			t.Errorf("%s: met %t, want %t: %+v", c.name, got, c.want, tab.rows)
		}
	}
}

// TestGivesFirst: the lowest ceiling is told as what gives first.
func TestGivesFirst(t *testing.T) {
	n := realNight{ledger: aLedger(10, 10)} // 400 rings/s on a core
	for _, c := range []struct {
		publishes, requests float64
		want                string
	}{{500, 18_000, "coordinator"}, {300, 18_000, "broker"}, {500, 1800, "gateway"}} {
		all := realRun{publishes: c.publishes, requests: c.requests}.ceilings(n, 18)
		if len(all) != 3 || !strings.Contains(all[0].what, c.want) {
			t.Errorf("%+v, want the %s first", all, c.want)
		}
	}
}

// TestMade: results depend on recipes alone, and steps of no child have none.
func TestMade(t *testing.T) {
	r := pipeline.NewRecipe(pipeline.StepIntake)
	r.Intake = &pipeline.IntakeRecipe{Source: pipeline.DigestOf([]byte(source(1, 2)))}
	a, err := made(r)
	if err != nil {
		t.Fatal(err)
	}
	if b, err := made(r); err != nil || string(a.Record) != string(b.Record) || a.Key != r.Key() {
		t.Errorf("%+v and %+v, %v", a, b, err)
	}
	if _, err := made(pipeline.NewRecipe(pipeline.StepFit)); err == nil {
		t.Error("a fit was made up")
	}
}

// TestProcessor reads made-up times, and this process's.
func TestProcessor(t *testing.T) {
	dir := t.TempDir()
	aProc(t, dir, 7, 1, "a) S 9", "x", rollupOf(1, 1))
	path := procfs(dir).of(7, "stat")
	if err := os.WriteFile(path, []byte("7 (a) S 9) S 1 7 7 0 -1 4194560 100 0 0 0 250 150 0 0 20 0 1 0"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "stat"), []byte("cpu  100 20 30 1000 500 4 5 6 7 8\ncpu0 1 1\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	if s, err := procfs(dir).processor(7); err != nil || s != 4 {
		t.Errorf("%v s, %v; want 4", s, err)
	}
	if s, err := procfs(dir).busy(); err != nil || math.Abs(s-1.65) > 1e-9 {
		t.Errorf("%v s, %v; want 1.65", s, err)
	}
	if _, err := procfs(dir).processor(8); err == nil {
		t.Error("a process that isn't there has times")
	}
}
