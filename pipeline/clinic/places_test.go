package clinic

import (
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline"
)

// reading makes phrases of 3 s with pauses of 0.6 s from a second on.
func reading(fromS float64, levels ...float64) (out []meter.Phrase) {
	const rate = 1000
	for _, l := range levels {
		out = append(out, meter.Phrase{From: dsp.FramesIn(fromS, rate), To: dsp.FramesIn(fromS+3, rate), Level: dsp.DBFS(l)})
		fromS += 3.6
	}
	return out
}

// windows are half-second windows of room tone one after the other.
func windows(fromS, toS float64) (out []meter.Window) {
	for ; fromS+0.5 <= toS; fromS += 0.5 {
		out = append(out, meter.Window{From: dsp.FramesIn(fromS, 1000), To: dsp.FramesIn(fromS+0.5, 1000)})
	}
	return out
}

var page = []float64{-26, -24, -25, -27, -23, -25, -26, -24, -25, -25, -26, -24}

func concat(all ...[]float64) (out []float64) {
	for _, a := range all {
		out = append(out, a...)
	}
	return out
}

// TestPlaces: what a test read should hold is found, and of what is not there it
// is said what is unsure for it.
func TestPlaces(t *testing.T) {
	full := concat([]float64{-35, -36}, page, []float64{-16, -17})
	for _, c := range []struct {
		name          string
		seconds       float64
		levels        []float64
		tone          []meter.Window
		breaths       []meter.Window
		quietS, pageS [2]float64 // where they are, about
		loudS         [2]float64
		missing       []string
		wantTone      float64
	}{
		{name: "all there", seconds: 75, levels: full, tone: windows(0, 12), quietS: [2]float64{13, 19.6}, pageS: [2]float64{20.2, 62.8}, loudS: [2]float64{63.4, 70}, wantTone: 12},
		{name: "no quiet line", seconds: 75, levels: full[2:], tone: windows(0, 12), pageS: [2]float64{13, 55.6}, loudS: [2]float64{56.2, 62.8}, missing: []string{"no quiet line"}, wantTone: 12},
		{name: "no loud line", seconds: 75, levels: full[:14], tone: windows(0, 12), quietS: [2]float64{13, 19.6}, pageS: [2]float64{20.2, 62.8}, missing: []string{"no loud line"}, wantTone: 12},
		{name: "a page alone", seconds: 61, levels: page, tone: windows(0, 2), pageS: [2]float64{13, 55.6}, missing: []string{"no room tone of 10 s", "no quiet line", "no loud line"}, wantTone: 2},
		{name: "a breath in the room tone", seconds: 75, levels: full, tone: append(windows(0, 6), windows(6.4, 12)...), breaths: []meter.Window{{From: 6050, To: 6350}},
			quietS: [2]float64{13, 19.6}, pageS: [2]float64{20.2, 62.8}, loudS: [2]float64{63.4, 70}, missing: []string{"no room tone of 10 s in one piece (12 s"}, wantTone: 6},
		{name: "a click in the room tone", seconds: 75, levels: full, tone: append(windows(0, 6), windows(6.4, 12)...),
			quietS: [2]float64{13, 19.6}, pageS: [2]float64{20.2, 62.8}, loudS: [2]float64{63.4, 70}, wantTone: 11.9},
		{name: "short", seconds: 31, levels: full[:6], tone: windows(0, 12), pageS: [2]float64{20.2, 34}, quietS: [2]float64{13, 19.6}, missing: []string{"the read is 31 s long", "no page of 30 s", "no loud line"}, wantTone: 12},
		{name: "long", seconds: 400, levels: full, tone: windows(0, 12), quietS: [2]float64{13, 19.6}, pageS: [2]float64{20.2, 62.8}, loudS: [2]float64{63.4, 70}, missing: []string{"the read is 6.7 min long"}, wantTone: 12},
	} {
		r := &Read{RateHz: 1000, SecondsS: c.seconds, Marks: pipeline.Marks{Phrases: reading(13, c.levels...), Breaths: c.breaths}, Room: meter.Room{Tone: c.tone}}
		p := placesOf(r, r.Marks.Phrases)
		for _, s := range []struct {
			what string
			got  pipeline.Span
			want [2]float64
		}{{"quiet line", p.Quiet, c.quietS}, {"page", p.Page, c.pageS}, {"loud line", p.Loud, c.loudS}} {
			if s.got.From.Seconds(1000) != s.want[0] || s.got.To.Seconds(1000)-s.want[1] > 0.01 || s.want[1]-s.got.To.Seconds(1000) > 0.01 {
				t.Errorf("%s: the %s is %.1f to %.1f s, want %.1f to %.1f", c.name, s.what, s.got.From.Seconds(1000), s.got.To.Seconds(1000), s.want[0], s.want[1])
			}
		}
		if got := longestOf(p.RoomTone).Len().Seconds(1000); got < c.wantTone-0.01 || got > c.wantTone+0.01 {
			t.Errorf("%s: %.1f s of room tone in one piece, want %.1f", c.name, got, c.wantTone)
		}
		if len(p.Missing) != len(c.missing) {
			t.Errorf("%s: missing %q, want %q", c.name, p.Missing, c.missing)
			continue
		}
		for i, m := range c.missing {
			if !strings.HasPrefix(p.Missing[i], m) || !strings.Contains(p.Missing[i], "sure") && !strings.Contains(p.Missing[i], "guess") && !strings.Contains(p.Missing[i], "even out") {
				t.Errorf("%s: missing %q, want it to begin with %q and to say how sure the rest is", c.name, p.Missing[i], m)
			}
		}
	}
}
