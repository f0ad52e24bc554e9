package main

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/check"
	"chapterhouse/pipeline/render"
	"chapterhouse/testdata/voices/booth"
	"chapterhouse/testdata/voices/narration"
)

const (
	voiceS      = 75 // of each reading
	voiceHz     = 44100
	paceLimit   = 10.0 // % off the syllables that were spoken
	roomDryS    = 0.15 // seconds to -60 dB of two booths
	roomLiveS   = 0.35
	roomStepDB  = 2.0 // by which the check family tells two rooms apart
	roomsLeast  = 90.0
	roomOffS    = 0.1  // of the figure in seconds, from roomToldS up
	roomToldS   = 0.3  // under it no figure is promised,
	roomNamedS  = 0.25 // and under this one none is given
	voiceDBFS   = -24.0
	voiceBooth  = "1.7x1.4x2.15"
	otherBooth  = "2.1x1.6x2.3"
	voiceNoise  = "pink:-66,hiss:-72"
	voicePauseS = 0.6
)

// voice holds pace and reverberation, as a part's likeness has them, to what
// readings were made from: the synthesizer's own syllables, and the booth's walls.
// Nothing of either was fixed on these voices, booths and seeds.
func voice(ctx context.Context, s *site, t *table) error {
	voices := []string{"marlow", "wren", "tansy", "birch", "espeak-m3", "espeak-f5"}
	var rooms rooms
	for i, name := range voices {
		s.say("voice %d of %d", i+1, len(voices))
		worst, more := 0.0, []string{}
		for seed := s.seed; seed < s.seed+2; seed++ {
			var direct [2]dsp.DB
			for r, seconds := range []float64{roomDryS, roomLiveS} {
				if err := ctx.Err(); err != nil {
					return err
				}
				l, said, err := likenessOf(name, 2000+seed, seconds, []string{voiceBooth, otherBooth}[seed%2])
				if err != nil {
					return err
				}
				direct[r] = l.DirectDB
				rooms.told(seconds, l.ReverbS)
				if r == 0 {
					off := 100 * (l.Pace/said - 1)
					more = append(more, fmt.Sprintf("%.2f for %.2f syllables/s", l.Pace, said))
					worst = max(worst, math.Abs(off))
				}
			}
			rooms.pair(direct)
		}
		if !strings.HasPrefix(name, "espeak-") {
			t.atMost("pace of "+name, worst, paceLimit, "%.1f %% off", strings.Join(more, "; "))
		} else {
			t.tell("pace of "+name, fmt.Sprintf("%.1f %% off, %s", worst, strings.Join(more, "; ")))
		}
	}
	rooms.fill(t)
	t.note("Readings of %d s by voices that nothing was tuned on, in booths of image sources with bare walls (Eyring 1930) and", voiceS)
	t.note("pink noise. Syllables are the vowels that the synthesizer spoke. espeak-ng does not tell its own: the synthesizer's")
	t.note("of the same text stand beside, without a limit.")
	return nil
}

// rooms gathers what was told of booths.
type rooms struct {
	falls    []float64 // dB from the dry booth to the live one
	off      []float64 // seconds told, less the booth's, where one is told
	silent   int       // live booths without a figure
	invented int       // dry booths with one
	dry      int
}

func (r *rooms) pair(direct [2]dsp.DB) {
	fall := 0.0
	if direct[0] != 0 && direct[1] != 0 {
		fall = float64(direct[0] - direct[1])
	}
	r.falls = append(r.falls, fall)
}

func (r *rooms) told(seconds, told float64) {
	switch {
	case seconds < roomNamedS:
		r.dry++
		if told != 0 {
			r.invented++
		}
	case told == 0:
		r.silent++
	case seconds >= roomToldS:
		r.off = append(r.off, told-seconds)
	}
}

func (r *rooms) fill(t *table) {
	seen := 0
	for _, f := range r.falls {
		if f > roomStepDB {
			seen++
		}
	}
	share := 100 * float64(seen) / float64(len(r.falls))
	t.hold(fmt.Sprintf("a booth of %.2f s told from one of %.2f s", roomDryS, roomLiveS),
		fmt.Sprintf("%.0f %% of %d pairs, by %.1f dB and more", share, len(r.falls), slices.Min(r.falls)), fmt.Sprintf("at least %.0f %%", roomsLeast), share >= roomsLeast)
	if len(r.off) > 0 {
		worst := 0.0
		for _, v := range r.off {
			worst = max(worst, math.Abs(v))
		}
		t.atMost(fmt.Sprintf("seconds told of %.2f s", roomLiveS), worst, roomOffS, "%.2f s off", fmt.Sprintf("%.2f in the middle, %d readings", median(r.off), len(r.off)))
	}
	t.atMost(fmt.Sprintf("booths of %.2f s without a figure", roomLiveS), float64(r.silent), 0, "%.0f", "")
	t.atMost(fmt.Sprintf("booths of %.2f s with a figure, which is not measurable", roomDryS), float64(r.invented), 0, "%.0f", fmt.Sprintf("of %d", r.dry))
}

// likenessOf is what the pipeline keeps of a reading in a booth with bare walls,
// and how many syllables a second the voice spoke while phrases were heard.
func likenessOf(name string, seed uint64, seconds float64, walls string) (pipeline.Likeness, float64, error) {
	b, err := booth.Parse(walls)
	if err != nil {
		return pipeline.Likeness{}, 0, err
	}
	r := narration.Reading{
		Voice: name, Seed: seed, RateHz: voiceHz, SpeechDBFS: voiceDBFS, Spread: 1, Booth: b.Reverberant(seconds).String(), Noise: voiceNoise,
		Manner: narration.Manner{HeadS: 1.5, TailS: 1.5, PauseS: voicePauseS, PauseMinS: 0.35, StopAtS: voiceS},
	}
	var x []float64
	labels, err := r.Record(func(block []float64) error { x = append(x, block...); return nil })
	if err != nil {
		return pipeline.Likeness{}, 0, err
	}
	spoken, err := syllables(r, labels)
	if err != nil {
		return pipeline.Likeness{}, 0, err
	}
	l := render.NewListener(voiceHz)
	l.Write(x)
	rec, marks, _ := l.Result()
	rec.Cut.SourceRateHz, rec.Cut.RateHz, rec.Cut.Span = voiceHz, voiceHz, pipeline.Span{To: dsp.Frames(len(x))}
	part := check.PartOf(pipeline.CheckPart{Cut: rec.Cut, Speech: rec.Levels.Speech, Floor: rec.Floor, RoomTone: rec.RoomTone}, marks)
	ears := check.NewEars(nil, part)
	ears.Hear(x, nil)
	ears.Heard()
	var speaking dsp.Frames
	for _, p := range marks.Phrases {
		speaking += p.To - p.From
	}
	return ears.Likeness(), float64(spoken) / speaking.Seconds(voiceHz), nil
}

// syllables is how many vowels were spoken. A voice of espeak-ng tells no phones:
// they are counted in a longer reading of the same prose, sentence by sentence.
func syllables(r narration.Reading, l narration.Labels) (int, error) {
	if r.Wide() {
		n := 0
		for _, of := range vowels(l) {
			n += of
		}
		return n, nil
	}
	r.Voice, r.Booth, r.Noise, r.Manner.StopAtS = "wren", "none", "", 2*voiceS
	same, err := r.Record(func([]float64) error { return nil })
	if err != nil {
		return 0, err
	}
	of, n := vowels(same), 0
	i := 0
	for _, m := range l.Marks {
		if m.Kind != "sentence" {
			continue
		}
		if i == len(of) {
			return 0, fmt.Errorf("%s read %d sentences and more, the voice that tells phones %d", l.Voice, i+1, len(of))
		}
		n += of[i]
		i++
	}
	return n, nil
}

// vowels counts them in each sentence.
func vowels(l narration.Labels) (of []int) {
	for _, m := range l.Marks {
		switch {
		case m.Kind == "sentence":
			of = append(of, 0)
		case m.Kind == "phone" && strings.ContainsAny(m.Text[:1], "aeiou"):
			of[len(of)-1]++
		}
	}
	return of
}
