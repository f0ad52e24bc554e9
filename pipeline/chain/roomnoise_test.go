package chain

import (
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dsptest"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
)

// Without room tone the noise reduction gives back the bits of its input, as late
// as with it, and says so; with it, what is as soft as the room tone is lowered.
func TestRoomNoiseCountsFromRoomTone(t *testing.T) {
	const rate = 44100
	r := resolve(t, "room-noise", `{"reduction_db": 10}`)
	x := dsptest.Noise(12, 60*dsp.Quantum)
	for i := range x {
		x[i] *= 0.0005
	}
	none := Facts{Facts: pipeline.Facts{SpeechDBFS: -23}}
	p := processor(t, r, rate, none)
	late := p.Latency()
	if y := through(p, x); late == 0 || levelDB(y[late:]) != levelDB(x[:len(x)-late]) || y[late] != x[0] {
		t.Errorf("without room tone %g comes out as %g, %d late", x[0], y[late], late)
	}
	if lines := Idle([]pipeline.Resolved{r}, none.Facts); len(lines) != 1 || !strings.HasPrefix(lines[0], "stage 1 (room-noise) does nothing: the session has no room tone") {
		t.Errorf("said %q", lines)
	}
	w, err := spectrum.NewWelch(8192)
	if err != nil {
		t.Fatal(err)
	}
	w.Write(x)
	f := Facts{Facts: pipeline.Facts{SpeechDBFS: -23, RoomTone: spectrum.Levels(w.Power(), rate, spectrum.SixthOctaves())}}
	y := through(processor(t, r, rate, f), x)
	if took := levelDB(x[:50*dsp.Quantum]) - levelDB(y[10*dsp.Quantum:]); took < 9.5 || took > 10.1 {
		t.Errorf("took %.2f dB of room tone, want 10", took)
	}
	if lines := Idle([]pipeline.Resolved{r}, f.Facts); len(lines) > 0 {
		t.Errorf("said %q", lines)
	}
}
