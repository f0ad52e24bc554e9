package series

import (
	"math"
	"math/rand/v2"
	"reflect"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

var inf = float32(math.Inf(-1))

func example() (Source, File) {
	wave := TraceOf(WaveStepDB, []float32{inf, -60, -12.5, 0, inf})
	gain := TraceOf(GainStepDB, []float32{0, -0.1, -3.2, 6})
	bands := pipeline.Spectrum{-30, dsp.DBFS(dsp.Silence), -41.25}
	s := Source{Parts: []Part{
		{Source: pipeline.DigestOf([]byte("a")), StartS: 1.5, Wave: wave, Stages: []Stage{{"expander", gain}, {"compressor", gain}}, Before: bands, After: bands},
		{Source: pipeline.DigestOf([]byte("b")), Wave: wave},
	}}
	f := File{Wave: wave, Limiter: gain, Spectrum: bands, Bodies: []Body{{Source: pipeline.DigestOf([]byte("a")), FileS: 0.75, SourceS: 2, LengthS: 60}}}
	return s, f
}

// TestRoundTrip: what is packed comes back, to the step of each trace.
func TestRoundTrip(t *testing.T) {
	s, f := example()
	text, err := s.Encode()
	if err != nil {
		t.Fatal(err)
	}
	if got, err := DecodeSource(text); err != nil || !reflect.DeepEqual(got, s) {
		t.Errorf("got %+v, %v\nwant %+v", got, err, s)
	}
	if text, err = f.Encode(); err != nil {
		t.Fatal(err)
	}
	got, err := DecodeFile(text)
	if err != nil || !reflect.DeepEqual(got, f) {
		t.Errorf("got %+v, %v\nwant %+v", got, err, f)
	}
	values, err := got.Wave.Values()
	if want := []float32{inf, -60, -12.5, 0, inf}; err != nil || !reflect.DeepEqual(values, want) {
		t.Errorf("wave %v, %v", values, err)
	}
	values, err = got.Limiter.Values()
	if err != nil || len(values) != 4 || math.Abs(float64(values[2]+3.2)) > 1e-4 {
		t.Errorf("limiter %v, %v", values, err)
	}
	if values, err := (Trace{}).Values(); err != nil || values != nil {
		t.Errorf("no trace: %v, %v", values, err)
	}
}

// TestOutOfRange: what no trace can hold is silence or the highest step.
func TestOutOfRange(t *testing.T) {
	got, err := TraceOf(GainStepDB, []float32{float32(math.NaN()), -1e9, 1e9, float32(math.Inf(1))}).Values()
	if err != nil || got[0] != inf || got[1] != inf || got[2] != got[3] || got[2] < 3000 {
		t.Errorf("%v, %v", got, err)
	}
}

// TestSize: an hour of a wave that jumps like speech, a limiter and six stages
// that move at every step, packed into 1.5 MB together.
func TestSize(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	hour := int(3600 / StepS)
	walk := func(stepDB, swing, low float64) Trace {
		p, at := NewPen(stepDB), -1.0
		for range hour {
			at = max(low, min(0, at+swing*rng.NormFloat64()))
			p.Add(at)
		}
		return p.Trace()
	}
	part := Part{Wave: walk(WaveStepDB, 6, -70)}
	for range 6 {
		part.Stages = append(part.Stages, Stage{"stage", walk(GainStepDB, 0.15, -12)})
	}
	source, err := Source{Parts: []Part{part}}.Encode()
	if err != nil {
		t.Fatal(err)
	}
	file, err := File{Wave: walk(WaveStepDB, 6, -70), Limiter: walk(GainStepDB, 0.1, -4)}.Encode()
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("source %d bytes, file %d", len(source), len(file))
	if n := len(source) + len(file); n > 1_500_000 {
		t.Errorf("%d bytes an hour", n)
	}
}

func FuzzDecode(f *testing.F) {
	s, file := example()
	for _, enc := range []func() ([]byte, error){s.Encode, file.Encode} {
		text, err := enc()
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
		f.Add(text[:len(text)/2])
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		if s, err := DecodeSource(data); err == nil {
			for _, p := range s.Parts {
				_, _ = p.Wave.Values()
			}
		}
		if f, err := DecodeFile(data); err == nil {
			if v, err := f.Wave.Values(); err == nil && len(v) != f.Wave.Len() {
				t.Errorf("%d values of %d", len(v), f.Wave.Len())
			}
		}
	})
}
