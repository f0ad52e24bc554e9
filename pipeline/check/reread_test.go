package check

import (
	"math"
	"math/rand/v2"
	"reflect"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline"
	"chapterhouse/testdata/voices/narration"
	"chapterhouse/testdata/voices/speech"
)

// warmUp is what every reading begins with, so that the part knows what chance is.
const warmUp = "The keeper of the lower lock had seven keys. Every boat paid in salt or in news. In summer the children swam where the gates leaked. "

// read is a narration in a voice that nothing was tuned on, and its sentences.
func read(t *testing.T, text string, seed uint64) (rateHz int, x []float64, sentences []speech.Mark) {
	rateHz, x, sentences = readAs(t, warmUp+text+" She wrote it down in a green book all the same.", seed)
	return rateHz, x, sentences[3:]
}

func readAs(t *testing.T, text string, seed uint64) (rateHz int, x []float64, sentences []speech.Mark) {
	t.Helper()
	rateHz = 22050
	labels, err := narration.Reading{
		Voice: "wren", Text: text, Seed: seed, RateHz: rateHz,
		Noise: "brown:-72,pink:-75,hiss:-84", SpeechDBFS: -24, Spread: 1, Manner: narration.Manner{HeadS: 1, TailS: 1, PauseS: 0.8, PauseMinS: 0.4},
	}.Record(func(block []float64) error {
		x = append(x, block...)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range labels.Marks {
		if m.Kind == "sentence" {
			sentences = append(sentences, m)
		}
	}
	return rateHz, x, sentences
}

// rereadsIn is what both checks find, in blocks of a size.
func rereadsIn(rateHz int, x []float64, size int) []pipeline.Finding {
	ears := NewEars([]Check{repeatedTake(), falseStart()}, profiled(rateHz, x))
	for at := 0; at < len(x); at += size {
		ears.Hear(x[at:min(at+size, len(x))], nil)
	}
	return ears.Heard()
}

// profiled is what checks are told of a recording.
func profiled(rateHz int, x []float64) Part {
	levels, room := meter.New(rateHz, 1), meter.NewRoom(rateHz)
	levels.Write(x)
	room.Write(x)
	return Part{RateHz: rateHz, Speech: levels.Levels().Speech, Marks: pipeline.Marks{Phrases: room.Result().Phrases}}
}

// aReread is a reading of a text, with the usual before and after it.
func aReread(t *testing.T, text string) recording {
	rate, x, _ := read(t, text, 11)
	return recording{x: x, Part: profiled(rate, x)}
}

func TestRereads(t *testing.T) {
	for _, c := range []struct {
		name, text, check string // "": nothing is found
		sentence          int    // that it begins with
	}{
		{"a sentence", "Her brother wanted to know about the seventh key. [pause 1.1] Her brother wanted to know about the seventh key.", "repeated-take", 0},
		{"two sentences", "It opened the first lock. That had been under water for years. [pause 0.8] It opened the first lock. That had been under water for years.", "repeated-take", 0},
		{"most of a sentence", "Nobody in Saltmarket remembered who had left the. [pause 0.9] Nobody in Saltmarket remembered who had left the lantern on the stair.", "repeated-take", 0},
		{"its first words", "The tall sailor folded. [pause 0.7] The tall sailor folded the letter and looked away across the square.", "false-start", 0},
		{"a refrain", "The miller went home. So the bell rang over the harbour. The clerk went to bed. So the bell rang over the harbour. A cart came by. So the bell rang over the harbour.", "", 0},
		{"a list", "There was rope in the boat, there was bread in the boat, there was salt in the boat.", "", 0},
		{"a parallel", "And the sea was grey, and the sky was grey, and the road was white.", "", 0},
		{"talk", "\"It is late,\" she said. \"Bring the lantern,\" she said. \"Not tonight,\" she said.", "", 0},
	} {
		rate, x, sentences := read(t, c.text, 11)
		found := rereadsIn(rate, x, 4096)
		if again := rereadsIn(rate, x, 1009); !reflect.DeepEqual(found, again) {
			t.Errorf("%s: %+v, and in other blocks %+v", c.name, found, again)
		}
		switch {
		case c.check == "" && len(found) > 0:
			t.Errorf("%s: found %+v", c.name, found)
		case c.check == "":
		case len(found) != 1 || found[0].Check != c.check || found[0].Weight != pipeline.Listen:
			t.Errorf("%s: found %+v, want one %s", c.name, found, c.check)
		default:
			if at := float64(sentences[c.sentence].From) / float64(rate); math.Abs(found[0].StartS-at) > 0.3 {
				t.Errorf("%s: found at %.2f s, it begins at %.2f s", c.name, found[0].StartS, at)
			}
		}
	}
}

// A sentence whose very samples come twice is found, whatever lies between them.
func TestPastedTake(t *testing.T) {
	rate, x, sentences := read(t, "The tall sailor folded the letter. A cart came by the mill.", 12)
	s := sentences[0]
	from, to := int(s.From)-rate/20, int(s.To)+rate/4
	pasted := append(append(append([]float64(nil), x[:to]...), x[from:to]...), x[to:]...)
	found := rereadsIn(rate, pasted, 4096)
	if len(found) != 1 || found[0].Check != "repeated-take" || math.Abs(found[0].StartS-float64(s.From)/float64(rate)) > 0.3 {
		t.Errorf("found %+v, want a repeated take at %.2f s", found, float64(s.From)/float64(rate))
	}
	if found := rereadsIn(rate, x, 4096); len(found) > 0 {
		t.Errorf("nothing was pasted, found %+v", found)
	}
}

// A text that begins with its heading's words is no reason to listen.
func TestHeadingIsNoFalseStart(t *testing.T) {
	rate, x, _ := readAs(t, "Two lanterns. [pause 1.3] Two lanterns hung over the north stair that evening. "+warmUp, 13)
	for _, f := range rereadsIn(rate, x, 4096) {
		if f.Weight != pipeline.Ready {
			t.Errorf("found %+v", f)
		}
	}
}

// Neither silence nor a part of one phrase is anything.
func TestRereadsOfLittle(t *testing.T) {
	for name, p := range map[string]Part{
		"nobody speaks": {RateHz: 44100, Speech: dsp.DBFS(math.Inf(-1))},
		"one phrase":    {RateHz: 44100, Speech: -20, Marks: pipeline.Marks{Phrases: []meter.Phrase{{From: 4410, To: 40000}}}},
		"two of 20 ms":  {RateHz: 44100, Speech: -20, Marks: pipeline.Marks{Phrases: []meter.Phrase{{From: 4410, To: 5292}, {From: 22050, To: 22932}}}},
		"a low rate":    {RateHz: 8000, Speech: -20, Marks: pipeline.Marks{Phrases: []meter.Phrase{{From: 0, To: 7000}, {From: 7100, To: 8000}}}},
	} {
		ears := NewEars([]Check{repeatedTake(), falseStart()}, p)
		ears.Hear(sine(p.RateHz, 220, 0.1, p.RateHz), nil)
		if found := ears.Heard(); len(found) > 0 {
			t.Errorf("%s: found %+v", name, found)
		}
	}
}

// The cost of both checks without the spectra that all share, beside real time.
func BenchmarkRereads(b *testing.B) {
	rate := 44100
	phrases, spectra := []meter.Phrase{}, [][]float64{}
	for at := 0; at < 120*rate; at += 7 * rate / 2 { // a phrase of 2.8 s in 3.5 s
		phrases = append(phrases, meter.Phrase{From: dsp.Frames(at), To: dsp.Frames(at + 14*rate/5)})
	}
	random := rand.New(rand.NewPCG(3, 1))
	for range 12000 / 8 { // a sound of 80 ms, another than before
		middle, power := 20+random.IntN(200), make([]float64, SpectrumSize(rate)/2+1)
		for i := range power {
			power[i] = 1e-4 / (1 + float64((i-middle)*(i-middle))/200)
		}
		spectra = append(spectra, power)
	}
	p := Part{RateHz: rate, Speech: -24, Marks: pipeline.Marks{Phrases: phrases}}
	for b.Loop() {
		r := newRereader(p)
		for k := range 12000 {
			r.hearSpectrum(spectra[k/8])
		}
		r.rereads()
	}
	b.ReportMetric(120*float64(b.N)/b.Elapsed().Seconds(), "x-real-time")
}
