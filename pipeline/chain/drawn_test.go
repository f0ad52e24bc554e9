package chain

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"reflect"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dsptest"
	"chapterhouse/pipeline"
)

// broadband are settings of stages that are one moving gain for the whole
// spectrum, on noise between -65 and -6 dBFS: what they tell of it is held
// against what is heard. A new stage of that kind adds a line.
var broadband = []struct{ stage, params string }{
	{"compressor", `{"threshold_over_speech_db": -6, "ratio": 4, "attack_ms": 2, "release_ms": 80}`},
	{"compressor", `{"threshold_over_speech_db": 0, "ratio": 20, "knee_db": 0, "attack_ms": 0, "release_ms": 20, "detector": "peak"}`},
	{"expander", `{"bands": [{"over_room_tone_db": 12, "ratio": 2, "range_db": 20}]}`},
	{"compressor", `{"threshold_over_speech_db": -6, "ratio": 4, "attack_ms": 5, "release_ms": 80, "look_ahead_ms": 10, "range_db": 8, "timing": "program", "parallel_percent": 40}`},
	{"breaths", `{"cut_db": 10}`},
	{"ride", `{"share_percent": 90, "max_db": 6}`},
	{"limiter", `{"ceiling_over_speech_db": 8}`},
}

// draw is a value of a type within what its tags allow, as JSON: often a bound,
// over decades where a range spans them, and left out at times where it may be.
func draw(random *rand.Rand, t reflect.Type, tag reflect.StructTag) any {
	number := func() float64 {
		lowest, highest, _ := strings.Cut(tag.Get("range"), "..")
		low, err := strconv.ParseFloat(lowest, 64)
		if err != nil {
			panic(fmt.Sprintf("a number without a range: %s", tag))
		}
		high, err := strconv.ParseFloat(highest, 64)
		if err != nil { // open
			high = max(100, 10*low)
		}
		switch at := random.Float64(); {
		case at < 0.1:
			return low
		case at < 0.2:
			return high
		case low > 0 && high > 10*low:
			return low * math.Pow(high/low, random.Float64())
		default:
			return low + (high-low)*random.Float64()
		}
	}
	if list := tag.Get("oneof"); list != "" {
		all := strings.Split(list, ",")
		one := all[random.IntN(len(all))]
		if n, err := strconv.Atoi(one); err == nil {
			return n
		}
		return one
	}
	switch t.Kind() {
	case reflect.Pointer:
		return draw(random, t.Elem(), tag)
	case reflect.Bool:
		return random.IntN(2) == 0
	case reflect.Int:
		return math.Round(number())
	case reflect.Float64:
		return number()
	case reflect.Slice:
		least, most := 0, 0
		if _, err := fmt.Sscanf(tag.Get("len"), "%d..%d", &least, &most); err != nil {
			panic(fmt.Sprintf("a list without a length: %s", tag))
		}
		list := make([]any, least+random.IntN(most-least+1))
		for i := range list {
			list[i] = draw(random, t.Elem(), tag)
		}
		return list
	case reflect.Array:
		list := make([]any, t.Len())
		for i := range list {
			list[i] = draw(random, t.Elem(), tag)
		}
		return list
	case reflect.Struct:
		m := map[string]any{}
		for i := range t.NumField() {
			f := t.Field(i)
			key, _, _ := strings.Cut(f.Tag.Get("json"), ",")
			if _, optional := f.Tag.Lookup("default"); optional && random.IntN(4) == 0 {
				continue
			}
			m[key] = draw(random, f.Type, f.Tag)
		}
		return m
	}
	panic(fmt.Sprintf("no way to draw a %s", t))
}

// drawn are parameters of a stage that its resolver takes. Those that hang
// together, such as rising crossovers, are found by drawing again.
func drawn(t *testing.T, s Stage, seed uint64) pipeline.Resolved {
	random := rand.New(rand.NewPCG(seed, 2))
	one := func() any { return draw(random, reflect.TypeOf(s.forms[random.IntN(len(s.forms))]), "") }
	for range 5000 {
		v := one()
		if len(s.forms) > 1 {
			list := []any{v}
			for range random.IntN(6) {
				list = append(list, one())
			}
			v = list
		}
		raw, err := json.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		if p, faults := s.Resolve(raw); len(faults) == 0 {
			return pipeline.Resolved{Stage: s.Name, Rev: s.Rev, Params: p}
		}
	}
	t.Fatalf("%s: no legal parameters found in 5000 tries", s.Name)
	return pipeline.Resolved{}
}

// possible tells whether a chain can be made at a rate: what a resolver takes can
// still be too high or too steep for one.
func possible(r pipeline.Resolved, rate float64) bool {
	_, err := New([]pipeline.Resolved{r}, rate, facts())
	return err == nil
}

// Every stage keeps the contract anywhere in its ranges: 20 settings of each.
func TestDrawnSettings(t *testing.T) {
	for _, s := range Builtin() {
		made := 0
		for seed := range uint64(20) {
			rate := []float64{44100, 48000, 96000}[seed%3]
			r := drawn(t, s, seed)
			if !possible(r, rate) {
				continue
			}
			made++
			t.Run(fmt.Sprintf("%s %s at %g", s.Name, r.Params, rate), func(t *testing.T) {
				dsptest.Sample(t, rate, func() dsp.Processor { return processor(t, r, rate, facts()) }, seed)
			})
		}
		if made < 10 {
			t.Errorf("%s: only %d of 20 settings can be made", s.Name, made)
		}
	}
}

// Settle is enough anywhere in the ranges: one setting of each stage here, any by
// FuzzStages.
func TestDrawnSettle(t *testing.T) {
	for _, s := range Builtin() {
		for seed := uint64(100); ; seed++ {
			if r := drawn(t, s, seed); possible(r, 44100) && Settle([]pipeline.Resolved{r}, 44100) <= 8*44100 {
				t.Run(fmt.Sprintf("%s %s", s.Name, r.Params), func(t *testing.T) { settles(t, r, 44100) })
				break
			}
		}
	}
}

func settles(t *testing.T, r pipeline.Resolved, rate float64) {
	dsptest.Settle(t, rate, func() dsp.Processor { return processor(t, r, rate, facts()) }, Settle([]pipeline.Resolved{r}, rate))
}

// FuzzStages runs the whole suite at settings drawn from a stage's ranges.
func FuzzStages(f *testing.F) {
	for i := range Builtin() {
		f.Add(uint8(i), uint64(i))
	}
	f.Fuzz(func(t *testing.T, stage uint8, seed uint64) {
		s := Builtin()[int(stage)%len(Builtin())]
		r := drawn(t, s, seed)
		rate := []float64{44100, 48000, 96000}[seed%3]
		if !possible(r, rate) {
			t.Skip("not at this rate")
		}
		if testing.Short() || !fuzzing() {
			dsptest.Sample(t, rate, func() dsp.Processor { return processor(t, r, rate, facts()) }, seed)
			return
		}
		dsptest.ExerciseExceptLatency(t, rate, func() dsp.Processor { return processor(t, r, rate, facts()) })
		if Settle([]pipeline.Resolved{r}, rate) <= int(8*rate) { // more is refused where a chain is read
			settles(t, r, rate)
		}
	})
}

// fuzzing tells whether the tests run as go test -fuzz.
func fuzzing() bool {
	for _, arg := range os.Args {
		if strings.HasPrefix(arg, "-test.fuzz=") {
			return true
		}
	}
	return false
}

// What a stage tells of its gain is what it does.
func TestGaugeIsTrue(t *testing.T) {
	for _, rate := range []float64{44100, 96000} {
		for _, b := range broadband {
			r := resolve(t, b.stage, b.params)
			t.Run(fmt.Sprintf("%s at %g", b.stage, rate), func(t *testing.T) {
				dsptest.Gauge(t, rate, func() dsp.Processor { return processor(t, r, rate, facts()) })
			})
		}
	}
}

// Every stage's processor is among those whose bits are compared with and
// without fused products: a doc comment begins with its name.
func TestStagesHaveSameBits(t *testing.T) {
	digests, err := os.ReadFile("../../dsp/dsptest/testdata/digests.txt")
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range Builtin() {
		text, err := s.About()
		if err != nil {
			t.Fatal(err)
		}
		name := regexp.MustCompile(`^(An? )?(\w+)`).FindStringSubmatch(text)[2]
		if !regexp.MustCompile(`(?m)^\w+\.` + name + `\b`).Match(digests) {
			t.Errorf("%s: %s is not in dsp/dsptest/samebits", s.Name, name)
		}
	}
}
