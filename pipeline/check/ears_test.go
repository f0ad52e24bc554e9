package check

import (
	"math"
	"reflect"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline"
)

// spectra counts the shared spectra and keeps the loudest bin of each.
type spectra struct {
	loudest []int
	power   []float64
	sides   int
}

func (s *spectra) Hear([]float64)           {}
func (s *spectra) HearSides(ch [][]float64) { s.sides += len(ch[0]) }
func (s *spectra) Heard() []Stretch         { return []Stretch{{From: 441, To: 882, Do: "listen"}} }
func (s *spectra) HearSpectrum(power []float64) {
	at := 0
	for k, p := range power {
		if p > power[at] {
			at = k
		}
	}
	s.loudest, s.power = append(s.loudest, at), append(s.power, power[at])
}

// All that is heard of a part is the same however its blocks are cut; a
// spectrum lies every 10 ms, the first and last half outside.
func TestEars(t *testing.T) {
	for _, rate := range []int{8000, 22050, 44100, 48000, 96000, 192000} {
		n := rate / 2
		bin := SpectrumSize(rate) / 8
		x := sine(rate, float64(bin)*float64(rate)/float64(SpectrumSize(rate)), 1, n)
		var got []*spectra
		for _, size := range []int{n, 1000, 77} {
			s := &spectra{}
			e := NewEars([]Check{{Name: "a", Listen: func(Part) Listener { return s }}}, Part{RateHz: rate})
			for at := 0; at < n; at += size {
				y := x[at:min(at+size, n)]
				e.Hear(y, [][]float64{y, y})
			}
			found := e.Heard()
			if len(found) != 1 || found[0].Check != "a" || found[0].StartS != dsp.Round2(dsp.Frames(441).Seconds(rate)) {
				t.Errorf("%d Hz: found %+v", rate, found)
			}
			got = append(got, s)
		}
		for _, s := range got[1:] {
			if !reflect.DeepEqual(s, got[0]) {
				t.Errorf("%d Hz: what is heard depends on the blocks", rate)
			}
		}
		if len(got[0].loudest) < 50 || len(got[0].loudest) > 51 || got[0].sides != n {
			t.Errorf("%d Hz: %d spectra and %d frames of sides in half a second, want 50 or 51 and %d", rate, len(got[0].loudest), got[0].sides, n)
		}
		for k := 5; k < 45; k++ {
			if got[0].loudest[k] != bin || math.Abs(got[0].power[k]-1) > 1e-3 {
				t.Errorf("%d Hz: spectrum %d has %g at bin %d, want 1 at %d", rate, k, got[0].power[k], got[0].loudest[k], bin)
			}
		}
		if ms := 1000 * float64(SpectrumSize(rate)) / float64(rate); ms < 22 || ms > 47 {
			t.Errorf("%d Hz: a spectrum of %.0f ms", rate, ms)
		}
	}
}

// Places of a profile are told in frames of the source.
func TestPartOf(t *testing.T) {
	p := pipeline.CheckPart{Cut: pipeline.Cut{SourceRateHz: 96000, RateHz: 48000, Span: pipeline.Span{From: 10, To: 96010}, Speech: pipeline.Span{From: 4800, To: 43200}},
		Speech: -23, Floor: meter.Floor{Median: -66}}
	marks := pipeline.Marks{Phrases: []meter.Phrase{{From: 4800, To: 9600, Level: -20}}, Breaths: []meter.Window{{From: 100, To: 200}}, Mains: []meter.MainsPoint{{At: 48, Hz: 50}}}
	want := Part{RateHz: 96000, Frames: 96000, Speech: -23, Floor: meter.Floor{Median: -66}, Spoken: pipeline.Span{From: 9600, To: 86400},
		Marks: pipeline.Marks{Phrases: []meter.Phrase{{From: 9600, To: 19200, Level: -20}}, Breaths: []meter.Window{{From: 200, To: 400}}, Mains: []meter.MainsPoint{{At: 96, Hz: 50}}}}
	if got := PartOf(p, marks); !reflect.DeepEqual(got, want) {
		t.Errorf("a part is %+v, want %+v", got, want)
	}
	if marks.Phrases[0].From != 4800 {
		t.Error("the marks that were given are changed")
	}
}
