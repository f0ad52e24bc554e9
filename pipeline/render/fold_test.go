package render

import (
	"math"
	"slices"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dsptest"
	"chapterhouse/pipeline"
)

// How a two-channel recording becomes one channel.
func TestFold(t *testing.T) {
	const rate = 44100
	voice := dsptest.Speechlike(5, 4*rate, rate)
	// hears is a microphone: the voice at a gain and a delay, over a noise floor.
	hears := func(gainDB float64, late int, floorDB float64, seed uint64) []float64 {
		x := scaled(dsptest.Noise(seed, len(voice)), floorDB+4.77)
		for i := late; i < len(x); i++ {
			x[i] += voice[i-late] * math.Pow(10, gainDB/20)
		}
		return x
	}
	one := hears(0, 0, -75, 1)
	flipped := scaled(one, 0)
	for i := range flipped {
		flipped[i] = -flipped[i]
	}
	halfFlipped := scaled(flipped, -6)
	dead := make([]float64, len(one))
	// falls is a side that holds nothing from 0.8 to 1.6 s, as where a cable came off.
	falls := func(x []float64) []float64 {
		y := slices.Clone(x)
		clear(y[8*rate/10 : 16*rate/10])
		return y
	}
	for _, c := range []struct {
		name        string
		left, right []float64
		fold        pipeline.Fold
		note        string
		unsure      bool
	}{
		{"identical", one, one, pipeline.FoldMono, "identical", false},
		{"right digitally dead", one, dead, pipeline.FoldLeft, "right side is dead", false},
		{"left digitally dead", dead, one, pipeline.FoldRight, "left side is dead", false},
		{"right a plug's hum only", one, scaled(dsptest.Noise(7, len(one)), -72), pipeline.FoldLeft, "right side is dead", false},
		{"left 45 dB down", scaled(one, -45), one, pipeline.FoldRight, "left side is dead", false},
		{"right reversed", one, flipped, pipeline.FoldFlip, "polarity", false},
		{"left reversed", halfFlipped, one, pipeline.FoldFlip, "polarity", false},
		{"right louder", scaled(one, -3), one, pipeline.FoldRight, "louder, right", false},
		{"left louder", one, scaled(one, -20), pipeline.FoldLeft, "louder, left", false},
		{"alike but for hiss", one, hears(-1, 0, -74, 9), pipeline.FoldLeft, "louder, left", false},
		{"left microphone better", hears(0, 0, -72, 2), hears(0, 40, -55, 3), pipeline.FoldLeft, "two microphones: the left", true},
		{"right microphone better", hears(0, 0, -50, 2), hears(0, 40, -66, 3), pipeline.FoldRight, "two microphones: the right", true},
		{"right better and quieter", hears(0, 0, -48, 2), hears(-14, 40, -72, 3), pipeline.FoldRight, "two microphones: the right", true},
		{"left better and quieter", hears(-14, 40, -72, 2), hears(0, 0, -48, 3), pipeline.FoldLeft, "two microphones: the left", true},
		{"left better, almost side by side", hears(0, 0, -72, 2), hears(0, 5, -50, 3), pipeline.FoldLeft, "two microphones: the left", true},
		{"left better, reversed and late", scaled(hears(0, 35, -72, 2), 0), hears(-6, 0, -48, 3), pipeline.FoldLeft, "two microphones: the left", true},
		{"right falls away for a while", hears(0, 0, -60, 2), falls(hears(0, 40, -72, 3)), pipeline.FoldLeft, "the right is digitally silent for 0.8 s more", true},
		{"left falls away, one voice on both", falls(one), one, pipeline.FoldRight, "the left is digitally silent for 0.8 s more", true},
	} {
		for _, seconds := range []float64{4, 1.9} {
			n := int(seconds * rate)
			f := newJobFolder(t)
			source := f.wav(c.name+".wav", rate, 24, c.left[:n], c.right[:n])
			b := f.bench()
			fold, note, unsure, err := b.chooseFold(source, pipeline.Span{To: dsp.Frames(n)}, rate)
			if err != nil {
				t.Fatal(err)
			}
			if fold != c.fold || unsure != c.unsure || !strings.Contains(note, c.note) || strings.Contains(note, " 0.0 dB") {
				t.Errorf("%s, %g s: %s, %q, unsure %t; want %s, %q, unsure %t", c.name, seconds, fold, note, unsure, c.fold, c.note, c.unsure)
			}
		}
	}
}

// What is taken is what the rest of the steps hear: the fold is in the cut.
func TestFoldIsHeard(t *testing.T) {
	const rate = 44100
	x := narration(1, rate, 0.6, 3, 0.6)
	y := scaled(x, 0)
	for i := range y {
		y[i] = -y[i]
	}
	f := newJobFolder(t)
	_, mono := f.part(f.wav("mono.wav", rate, 24, x), len(x), rate, nil)
	_, flipped := f.part(f.wav("flipped.wav", rate, 24, x, y), len(x), rate, nil)
	if mono.Levels != flipped.Levels {
		t.Errorf("turned back, a reversed side measures %+v, mono %+v", flipped.Levels, mono.Levels)
	}
	if mono.Cut.Fold != pipeline.FoldMono || mono.FoldNote != "" || mono.Unsure {
		t.Errorf("mono is folded: %+v", mono.Cut)
	}
	for fold, want := range map[pipeline.Fold]float64{pipeline.FoldMono: 0.5, pipeline.FoldLeft: 0.5, pipeline.FoldRight: -0.25, pipeline.FoldFlip: 0.375} {
		got := []float64{0}
		foldInto(got, 0.5, -0.25, fold)
		if got[0] != want {
			t.Errorf("%s of 0.5 and -0.25 is %g, want %g", fold, got[0], want)
		}
	}
}

func foldInto(x []float64, left, right float64, f pipeline.Fold) {
	fold(x, [][]float64{{left}, {right}}, f)
}

// bench is a workplace of a job's folder, for steps by themselves.
func (f *jobFolder) bench() *bench {
	f.t.Helper()
	b := &bench{ctx: f.t.Context(), dir: f.dir, job: f.job(), say: func(pipeline.Digest, pipeline.Step, float64) {}}
	f.t.Cleanup(b.close)
	return b
}

// The spread of a microphone is that of its blocks' levels, whatever the block
// split and however few they are.
func TestSpread(t *testing.T) {
	const rate = 8000
	for _, blocks := range []int{10, 12, 40, 400} {
		var x []float64
		for i := range blocks {
			level := -60.5 // three in ten
			if i%10 < 7 {
				level = -20.5
			}
			for j := range rate / 10 {
				x = append(x, math.Sqrt2*math.Pow(10, level/20)*math.Sin(2*math.Pi*float64(j)/20))
			}
		}
		for _, size := range []int{len(x), 1, 799} {
			s := newSpread(rate)
			for at := 0; at < len(x); at += size {
				s.write(x[at:min(at+size, len(x))])
			}
			if got := s.db(); math.Abs(got-40) > 0.01 {
				t.Errorf("%d blocks: %.2f dB, want 40", blocks, got)
			}
		}
	}
}
