package render

import (
	"math"
	"reflect"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// traced feeds a stage's gains, one each 10 ms, to uses on the control grid.
func traced(u *stageUses, stage, rateHz int, gainsDB ...float64) {
	step := dsp.ControlStep(float64(rateHz))
	var control []float64
	for _, g := range gainsDB {
		for range max(1, rateHz/100/step) {
			control = append(control, g)
		}
	}
	per := dsp.Quantum / step
	for at := 0; at < len(control); at += per {
		u.quantum(dsp.Frames(at*step), stage, control[at:min(at+per, len(control))])
	}
}

func repeated(v float64, n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = v
	}
	return x
}

// Shares, medians and 95th percentiles of known traces are exact.
func TestUses(t *testing.T) {
	hundred := func(deep ...float64) []float64 { return append(repeated(0, 100-len(deep)), deep...) }
	var ramp []float64 // -0.1 to -10 dB
	for i := range 100 {
		ramp = append(ramp, -float64(i+1)/10)
	}
	for _, c := range []struct {
		name  string
		gains []float64
		want  pipeline.StageUse
	}{
		{"idle", hundred(), pipeline.StageUse{}},
		{"under 0.1 dB is idle", hundred(-0.099, -0.07, -0.05), pipeline.StageUse{}},
		{"from 0.1 dB on it is active", hundred(-0.1), pipeline.StageUse{Share: 0.01, MedianDB: -0.1, P95DB: -0.1, MaxDB: -0.1}},
		{"one depth", hundred(repeated(-2, 25)...), pipeline.StageUse{Share: 0.25, MedianDB: -2, P95DB: -2, MaxDB: -2}},
		{"all of the time", repeated(-3.04, 40), pipeline.StageUse{Share: 1, MedianDB: -3, P95DB: -3, MaxDB: -3}},
		{"two depths", hundred(append(repeated(-1, 30), repeated(-6, 20)...)...), pipeline.StageUse{Share: 0.5, MedianDB: -1, P95DB: -6, MaxDB: -6}},
		{"five in a hundred are beyond the 95th percentile", append(repeated(-1, 95), repeated(-8, 5)...), pipeline.StageUse{Share: 1, MedianDB: -1, P95DB: -1, MaxDB: -8}},
		{"six are not", append(repeated(-1, 94), repeated(-8, 6)...), pipeline.StageUse{Share: 1, MedianDB: -1, P95DB: -8, MaxDB: -8}},
		{"evenly to 10 dB", ramp, pipeline.StageUse{Share: 1, MedianDB: -5, P95DB: -9.5, MaxDB: -10}},
		{"turned up", hundred(repeated(4.96, 10)...), pipeline.StageUse{Share: 0.1, UpDB: 5}},
		{"down and up", hundred(append(repeated(-2, 20), repeated(3, 10)...)...), pipeline.StageUse{Share: 0.3, MedianDB: -2, P95DB: -2, MaxDB: -2, UpDB: 3}},
		{"deeper than the bins", hundred(-200, math.Inf(-1)), pipeline.StageUse{Share: 0.02, MedianDB: -60, P95DB: -60, MaxDB: -60}},
	} {
		for _, rate := range []int{44100, 48000, 96000, 192000} {
			u := newStageUses([]pipeline.Resolved{{Stage: "compressor"}}, rate)
			traced(u, 0, rate, c.gains...)
			c.want.Stage = "compressor"
			if got := addUses([]*stageUses{u}); !reflect.DeepEqual(got, []pipeline.StageUse{c.want}) {
				t.Errorf("%s at %d Hz: %+v, want %+v", c.name, rate, got, c.want)
			}
		}
	}
}

// A dip shorter than 10 ms counts with its deepest.
func TestUsesKeepTheDeepestOf10MS(t *testing.T) {
	u := newStageUses([]pipeline.Resolved{{Stage: "limiter"}}, 48000)
	trace := repeated(0, 600) // 60 control values are 10 ms at 48 kHz
	trace[125] = -4
	u.quantum(0, 0, trace)
	want := []pipeline.StageUse{{Stage: "limiter", Share: 0.1, MedianDB: -4, P95DB: -4, MaxDB: -4}}
	if got := addUses([]*stageUses{u}); !reflect.DeepEqual(got, want) {
		t.Errorf("%+v, want %+v", got, want)
	}
}

// Parts add up by stage; two of one kind in a chain stay apart; what has no
// gauge is not listed.
func TestUsesAddUp(t *testing.T) {
	const rate = 48000
	stages := []pipeline.Resolved{{Stage: "highpass"}, {Stage: "compressor"}, {Stage: "compressor"}, {Stage: "de-esser"}}
	a, b := newStageUses(stages, rate), newStageUses([]pipeline.Resolved{{Stage: "compressor"}, {Stage: "expander"}}, rate)
	traced(a, 1, rate, append(repeated(-2, 30), repeated(0, 70)...)...)
	traced(a, 2, rate, append(repeated(-5, 10), repeated(0, 90)...)...)
	traced(a, 3, rate, repeated(0, 100)...)
	traced(b, 0, rate, append(repeated(-1, 70), repeated(0, 30)...)...)
	traced(b, 1, rate, repeated(-6, 100)...)
	want := []pipeline.StageUse{
		{Stage: "compressor", Share: 0.5, MedianDB: -1, P95DB: -2, MaxDB: -2},
		{Stage: "compressor-2", Share: 0.1, MedianDB: -5, P95DB: -5, MaxDB: -5},
		{Stage: "de-esser"},
		{Stage: "expander", Share: 1, MedianDB: -6, P95DB: -6, MaxDB: -6},
	}
	if got := addUses([]*stageUses{a, b}); !reflect.DeepEqual(got, want) {
		t.Errorf("%+v, want %+v", got, want)
	}
}

// Where the limiter goes deep is told in source time: places closer than a
// second are one, edges and pauses are none.
func TestDeepPlaces(t *testing.T) {
	const rate = 48000
	other := pipeline.DigestOf([]byte("other"))
	a := pipeline.FilePart{Cut: cutOf(rate, rate, 11*rate, halfSeconds(rate, 0, 2)...)}
	a.Cut.Span.From = 100 * rate
	b := a
	b.Cut.Source, b.Cut.Span.From, b.Join.PauseS = other, 0, 1
	x := room(1, 12*rate)
	p, _ := laidOut(t, pipeline.FileRecipe{Parts: []pipeline.FilePart{a, b}, HeadS: 1, TailS: 3}, x, x)
	trace := make([]float64, int(p.frames)/8)
	dip := func(fileS, lengthS, db float64) {
		for i := int(fileS * rate / 8); i < int((fileS+lengthS)*rate/8); i++ {
			trace[i] = db
		}
	}
	dip(0.5, 0.1, -9)   // head
	dip(2, 0.01, -3.1)  // 1 s into the first body: source second 102
	dip(2.5, 0.01, -5)  // the same place still
	dip(4, 0.1, -2.9)   // not deep
	dip(5, 0.02, -4)    // source second 105
	dip(11.2, 0.2, -8)  // pause
	dip(12.5, 0.25, -6) // second body: 0.5 s into it, source second 1.5
	d := newDeepPlaces(p)
	for at := 0; at < len(trace); at += 128 {
		d.quantum(dsp.Frames(at*8), trace[at:min(at+128, len(trace))])
	}
	want := []pipeline.Place{
		{Source: someSource, StartS: 102, EndS: 102.51, DB: -5},
		{Source: someSource, StartS: 105, EndS: 105.02, DB: -4},
		{Source: other, StartS: 1.5, EndS: 1.75, DB: -6},
	}
	if got := d.done(); !reflect.DeepEqual(got, want) {
		t.Errorf("%+v, want %+v", got, want)
	}
}

// Of more places than a record lists, the deepest stay, in their order.
func TestDeepestPlacesAreKept(t *testing.T) {
	const rate = 48000
	seconds := 3 * deepAtMost
	a := pipeline.FilePart{Cut: cutOf(rate, 0, seconds*rate)}
	p := &playlist{parts: []pipeline.FilePart{a}, rateHz: rate}
	p.add(segment{n: dsp.Frames(seconds * rate)})
	d := newDeepPlaces(p)
	for s := 0; s < seconds; s += 2 { // 75 places, the later the deeper
		d.quantum(dsp.Frames(s*rate), []float64{-4 - float64(s)/100})
	}
	got := d.done()
	if len(got) != deepAtMost {
		t.Fatalf("%d places, want %d", len(got), deepAtMost)
	}
	for i, place := range got {
		if want := float64(seconds - 2*deepAtMost + 2*i); place.StartS != want {
			t.Fatalf("place %d starts at %g s, want %g", i, place.StartS, want)
		}
	}
}
