package report

import (
	"strings"
	"testing"

	"chapterhouse/dsp/room"
	"chapterhouse/pipeline/clinic"
)

// TestResonancePicture: a line for each kind of evidence that there is, from side
// to side, the sign's band, and a row of bars for each side of the form.
func TestResonancePicture(t *testing.T) {
	flat := make([]float64, 424)
	s := clinic.Sign{Name: "resonance", LowHz: 100, HighHz: 110, Says: "the booth rings"}
	for _, c := range []struct {
		p     clinic.Pictures
		lines string
		sides int
	}{
		{clinic.Pictures{InRoomTone: flat, AfterWords: flat, AtEveryPitch: flat, Waves: []clinic.StandingWave{{Side: "depth", LowHz: 105, HighHz: 112}, {Side: "depth", LowHz: 210, HighHz: 224}, {Side: "width", LowHz: 140, HighHz: 140}}}, "ca cb ct", 2},
		{clinic.Pictures{AfterWords: flat}, "cb", 0},
		{clinic.Pictures{}, "", 0},
	} {
		pic := resonancePicture(s, c.p)
		var lines []string
		bands, sides := 0, 0
		for _, shape := range pic.Shapes {
			switch {
			case strings.HasPrefix(shape.Class, "c") && strings.Count(shape.D, "L") > 100:
				lines = append(lines, shape.Class)
			case shape.Class == "band":
				bands++
			case shape.Text == "depth" || shape.Text == "width":
				sides++
			}
		}
		if got := strings.Join(lines, " "); got != c.lines || bands != 1 || sides != c.sides {
			t.Errorf("lines %q, want %q; %d bands, %d sides, want %d", got, c.lines, bands, sides, c.sides)
		}
		if !strings.Contains(pic.Label, "the booth rings") {
			t.Errorf("label %q", pic.Label)
		}
	}
	if hz := room.CourseHz(423); hz < room.HighestHz {
		t.Errorf("a course ends at %g Hz", hz)
	}
}
