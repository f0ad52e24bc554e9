package codec

import (
	"encoding/json"
	"math"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// marked writes an odd number of bytes and cue points behind them.
func marked(t *testing.T, bits int, float bool, large int64, cues []pipeline.Cue) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "a.wav")
	w, err := CreateWAV(path, 44100, 1, bits, float)
	if err != nil {
		t.Fatal(err)
	}
	if large > 0 {
		w.large = large
	}
	x := make([]float64, 44101)
	x[7] = 0.5
	if err := w.Write([][]float64{x}); err != nil {
		t.Fatal(err)
	}
	w.Mark([]pipeline.Cue{{At: 1, Label: "taken back"}})
	w.Mark(cues)
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return path
}

// TestMark: what is marked is read again, in every kind of file, and touches no
// sample; ffprobe finds the same points and sox walks the chunks to the end.
func TestMark(t *testing.T) {
	for _, c := range []struct {
		what      string
		cues, got []pipeline.Cue
	}{
		{"none", nil, nil},
		{"odd and even labels, out of order", []pipeline.Cue{{At: 20000, Label: "3 clicks"}, {At: 100, Label: "1 limiter, 6.9 dB"}, {At: 44100}},
			[]pipeline.Cue{{At: 100, Label: "1 limiter, 6.9 dB"}, {At: 20000, Label: "3 clicks"}, {At: 44100}}},
		{"no label at all", []pipeline.Cue{{At: 5}}, []pipeline.Cue{{At: 5}}},
		{"any language, nothing that acts", []pipeline.Cue{{At: 9, Label: "Глава\x1b[2J\n1"}}, []pipeline.Cue{{At: 9, Label: "Глава [2J 1"}}},
		{"where no point can be", []pipeline.Cue{{At: -1}, {At: math.MaxUint32 + 1}, {At: 9}}, []pipeline.Cue{{At: 9}}},
	} {
		for _, form := range []struct {
			bits  int
			float bool
			large int64
		}{{16, false, 0}, {24, false, 0}, {24, false, 1000}, {32, true, 0}} {
			path := marked(t, form.bits, form.float, form.large, c.cues)
			r, err := OpenSource(path, "a.wav")
			if err != nil {
				t.Fatal(c.what, err)
			}
			if got := r.Info(); !reflect.DeepEqual(got.Cues, c.got) || got.Frames != 44101 || len(got.Notes) > 0 {
				t.Errorf("%s, %+v: %+v", c.what, form, got)
			}
			x := [][]float64{make([]float64, 44101)}
			if n, err := r.Read(x); n != 44101 || err != nil || x[0][7] != 0.5 {
				t.Errorf("%s, %+v: %d frames, %v", c.what, form, n, err)
			}
			_ = r.Close()
			if form.large > 0 {
				continue // sox knows no RF64
			}
			if n := strings.TrimSpace(string(run(t, "soxi", "-s", path))); n != "44101" {
				t.Errorf("%s, %+v: sox counts %s samples", c.what, form, n)
			}
			var seen struct {
				Chapters []struct {
					Start string            `json:"start_time"`
					Tags  map[string]string `json:"tags"`
				} `json:"chapters"`
			}
			if err := json.Unmarshal(run(t, "ffprobe", "-v", "error", "-show_chapters", "-of", "json", path), &seen); err != nil {
				t.Fatal(err)
			}
			var others []pipeline.Cue
			for _, ch := range seen.Chapters {
				s, err := strconv.ParseFloat(ch.Start, 64)
				if err != nil {
					t.Fatal(err)
				}
				others = append(others, pipeline.Cue{At: dsp.FramesIn(s, 44100), Label: ch.Tags["title"]})
			}
			if !reflect.DeepEqual(others, c.got) {
				t.Errorf("%s, %+v: ffprobe reads %+v", c.what, form, others)
			}
		}
	}
}

// TestMarkMany: as many as can be read again.
func TestMarkMany(t *testing.T) {
	var cues []pipeline.Cue
	for i := range maxCues + 10 {
		cues = append(cues, pipeline.Cue{At: dsp.Frames(10 * i), Label: strings.Repeat("x", 300)})
	}
	r, err := OpenSource(marked(t, 16, false, 0, cues), "a.wav")
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if got := r.Info(); len(got.Cues) != maxCues || len(got.Notes) > 0 || got.Cues[maxCues-1].Label != strings.Repeat("x", maxTagRunes) {
		t.Errorf("%d points, %v", len(got.Cues), got.Notes)
	}
}

// TestStretches: pieces that overlap and come in any order are those that a
// whole reading has.
func TestStretches(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.wav")
	w, err := CreateWAV(path, 1000, 2, 32, true)
	if err != nil {
		t.Fatal(err)
	}
	x := [][]float64{make([]float64, 20000), make([]float64, 20000)}
	for i := range x[0] {
		x[0][i], x[1][i] = float64(i)/32768, float64(i)/65536
	}
	if err := w.Write(x); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	all := []Stretch{{12, 13}, {-1, 0.5}, {12.5, 14}, {3, 12.25}, {19.5, 22}, {30, 31}, {5, 5}}
	rateHz, heard, err := Stretches(t.Context(), path, all)
	if err != nil || rateHz != 1000 {
		t.Fatal(rateHz, err)
	}
	for i, want := range [][2]int{{12000, 13000}, {0, 500}, {12500, 14000}, {3000, 12250}, {19500, 20000}, {0, 0}, {0, 0}} {
		if len(heard[i]) != want[1]-want[0] {
			t.Errorf("%v: %d frames", all[i], len(heard[i]))
			continue
		}
		for k, v := range heard[i] {
			if v != float32((x[0][want[0]+k]+x[1][want[0]+k])/2) {
				t.Errorf("%v: frame %d is %v", all[i], k, v)
				break
			}
		}
	}
}
