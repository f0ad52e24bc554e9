package clinic

import (
	"math"
	"slices"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/chain"
	"chapterhouse/testdata/voices/narration"
)

const pairHz = 22050

// pairRaw is a short raw read by a voice for tuning.
func pairRaw(t *testing.T, seed uint64) *Read {
	t.Helper()
	r := narration.Reading{Voice: "alder", Seed: seed, RateHz: pairHz, SpeechDBFS: -26, Spread: 1, Booth: "none", Noise: "pink:-70",
		Manner: narration.Manner{HeadS: 1, TailS: 5, PauseS: 0.6, PauseMinS: 0.4, StopAtS: 17}}
	var x []float64
	if _, err := r.Record(func(b []float64) error { x = append(x, b...); return nil }); err != nil {
		t.Fatal(err)
	}
	return Hear(x, pairHz, pairForm())
}

func pairForm() Form { return Form{Narrator: "ada-reed", Setup: "cellar"} }

// knownChain is a chain of known settings.
func knownChain(t *testing.T, stages string) []pipeline.Resolved {
	t.Helper()
	c, faults := chain.Parse([]byte("chain: known\nnarrator: ada-reed\nsetup: cellar\nreference: {speech_dbfs: -23}\nstages:\n"+stages), "known.yaml")
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	return c.Stages
}

// TestLikeFindsAKnownChain: from a raw read and what a chain made of it, later,
// softer and with a pause cut, the chain is found again.
func TestLikeFindsAKnownChain(t *testing.T) {
	raw := pairRaw(t, 3)
	known := knownChain(t, `  - highpass: {cutoff_hz: 80, slope_db_per_octave: 18}
  - expander: {bands: [{over_room_tone_db: 7, ratio: 1.7, range_db: 6}]}
  - eq:
      - {shape: bell, centre_hz: 400, gain_db: -4, q: 1.5}
  - compressor: {threshold_over_speech_db: -1, ratio: 2.5, knee_db: 4, attack_ms: 8, release_ms: 120, detector: rms}
`)
	y, err := raw.Through(known, likeReference, nil)
	if err != nil {
		t.Fatal(err)
	}
	cut := raw.Marks.Phrases[1].To + 2000
	late := append(make([]float64, 7000), y[:cut]...)
	late = append(late, y[cut+2500:]...)
	for i := range late {
		late[i] *= 0.6
	}
	m, err := Like(raw, Hear(late, pairHz, pairForm()))
	if err != nil {
		t.Fatal(err)
	}
	if got := math.Abs(m.Alignment.DelayS - 7000./pairHz); got > 0.001 || m.Alignment.Steps != 1 {
		t.Errorf("delay %.4f s, %d steps, want %.4f and 1", m.Alignment.DelayS, m.Alignment.Steps, 7000./pairHz)
	}
	want, got := staticDB(t, known), staticDB(t, m.Draft.Chain.Stages)
	mean := 0.0
	for i := range want {
		mean += (got[i] - want[i]) / float64(len(want))
	}
	for i := range want {
		if d := got[i] - want[i] - mean; math.Abs(d) > 1 {
			t.Errorf("third octave %d is %.2f dB off\n%s", i, d, m.Draft.YAML)
		}
	}
	for _, d := range m.Left {
		if d.RMSDB > 1 {
			t.Errorf("left: %+v", d)
		}
	}
	if len(m.Draft.Chain.Reasons) < 4 {
		t.Errorf("reasons %q", m.Draft.Chain.Reasons)
	}
	if len(m.Unexplained) != 1 || !strings.Contains(m.Unexplained[0], "pauses were edited in 1 place") {
		t.Errorf("unexplained: %q", m.Unexplained)
	}
	t.Logf("%s\n%+v", m.Draft.YAML, m.Left)
}

// TestLikeFindsARide: phrases that were levelled by hand are found as a ride.
func TestLikeFindsARide(t *testing.T) {
	raw := pairRaw(t, 6)
	y, err := raw.Through(knownChain(t, "  - ride: {share_percent: 50, max_db: 6}\n"), likeReference, nil)
	if err != nil {
		t.Fatal(err)
	}
	m, err := Like(raw, Hear(y, pairHz, pairForm()))
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range m.Left {
		if d.RMSDB > 1 {
			t.Errorf("left: %+v", d)
		}
	}
	if !strings.Contains(m.Draft.YAML, "- ride") {
		t.Errorf("no ride\n%s", m.Draft.YAML)
	}
}

// staticDB is what highpass and eq of a chain do in third octaves from 100 Hz to
// 8 kHz.
func staticDB(t *testing.T, stages []pipeline.Resolved) (db []float64) {
	t.Helper()
	var static []pipeline.Resolved
	for _, s := range stages {
		if s.Stage == "highpass" || s.Stage == "eq" {
			static = append(static, s)
		}
	}
	ps, err := chain.New(static, pairHz, chain.PlainFacts(likeReference))
	if err != nil {
		t.Fatal(err)
	}
	x := make([]float64, 1<<14)
	x[0] = 1
	f, err := spectrum.NewFFT(len(x))
	if err != nil {
		t.Fatal(err)
	}
	bins := make([]complex128, len(x)/2+1)
	f.Forward(bins, dsp.NewEngine(0, ps...).Whole(x))
	for _, b := range spectrum.ThirdOctaves() {
		if b.Mid > 99 && b.Mid < 8100 {
			v := bins[int(math.Round(b.Mid*float64(len(x))/pairHz))]
			db = append(db, powerDB(real(v)*real(v)+imag(v)*imag(v)))
		}
	}
	return db
}

// TestLikeSaysWhatIsUnexplained: what no stage does is said.
func TestLikeSaysWhatIsUnexplained(t *testing.T) {
	raw := pairRaw(t, 4)
	for _, c := range []struct {
		name, want string
		made       func(x []float64) []float64
	}{
		{"nothing", "", func(x []float64) []float64 { return x }},
		{"reversed", "polarity is reversed", func(x []float64) []float64 {
			for i := range x {
				x[i] = -x[i]
			}
			return x
		}},
		{"reverberation", "reverberation was added", ringing},
		{"faster", "% faster than the raw", func(x []float64) []float64 {
			y := make([]float64, int(float64(len(x)-2)/1.03))
			for i := range y {
				at := float64(i) * 1.03
				k := int(at)
				y[i] = x[k] + (at-float64(k))*(x[k+1]-x[k])
			}
			return y
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			m, err := Like(raw, Hear(c.made(append([]float64(nil), raw.x...)), pairHz, pairForm()))
			if err != nil {
				t.Fatal(err)
			}
			all := strings.Join(m.Unexplained, "; ")
			if c.want == "" && all != "" || !strings.Contains(all, c.want) {
				t.Errorf("says %q, want %q\n%+v\n%s", all, c.want, m.Alignment, m.Draft.YAML)
			}
			if off := m.Alignment.SpeedPct - 3; c.name == "faster" && math.Abs(off) > 0.15 {
				t.Errorf("%.2f %% faster, want 3", m.Alignment.SpeedPct)
			}
			if c.want == "" && m.Draft.Chain.Stages[0].Stage != "gain" {
				t.Errorf("a chain for nothing:\n%s", m.Draft.YAML)
			}
		})
	}
}

// ringing adds a room of half a second by four combs (Schroeder, JAES 10(3),
// 1962).
func ringing(x []float64) []float64 {
	y := append([]float64(nil), x...)
	for _, delay := range []int{653, 811, 929, 1097} {
		gain := math.Pow(10, -3*float64(delay)/pairHz/0.6)
		ring := make([]float64, len(x))
		for i := range x {
			if i >= delay {
				ring[i] = gain * (ring[i-delay] + x[i-delay])
			}
			y[i] += 0.12 * ring[i]
		}
	}
	return y
}

// TestLikeEarlier: of another text, the broad response and the floor are found,
// and are said to be less sure.
func TestLikeEarlier(t *testing.T) {
	raw, other := pairRaw(t, 3), pairRaw(t, 5)
	y, err := other.Through(knownChain(t, `  - expander: {bands: [{over_room_tone_db: 7, ratio: 1.7, range_db: 5}]}
  - eq:
      - {shape: high-shelf, corner_hz: 2500, gain_db: 5}
`), likeReference, nil)
	if err != nil {
		t.Fatal(err)
	}
	m, err := LikeEarlier(raw, Hear(y, pairHz, pairForm()))
	if err != nil {
		t.Fatal(err)
	}
	if m.Confidence == Sure {
		t.Error("two texts are never sure")
	}
	db := staticDB(t, m.Draft.Chain.Stages)
	if top := (db[16]+db[17]+db[18])/3 - (db[5]+db[6]+db[7])/3; top < 3 || top > 7 {
		t.Errorf("the top is lifted by %.1f dB, want about 5\n%s", top, m.Draft.YAML)
	}
	if !strings.Contains(m.Draft.YAML, "expander") {
		t.Errorf("no expander\n%s", m.Draft.YAML)
	}
}

// TestSettled: a piece beside its place is not an edit, one that others follow is.
func TestSettled(t *testing.T) {
	for _, c := range []struct{ lags, want []dsp.Frames }{
		{[]dsp.Frames{0, 0, 1000, 0, 3}, []dsp.Frames{0, 0, 0, 3}},
		{[]dsp.Frames{0, 0, 1000, 1000, 1003}, []dsp.Frames{0, 0, 1000, 1000, 1003}},
		{[]dsp.Frames{0, 500, 1000}, []dsp.Frames{0, 500, 1000}},
		{[]dsp.Frames{0, 1000}, []dsp.Frames{0, 1000}},
		{nil, nil},
	} {
		var pieces []piece
		for _, l := range c.lags {
			pieces = append(pieces, piece{lag: l})
		}
		var got []dsp.Frames
		for _, p := range settled(pieces, 44100) {
			got = append(got, p.lag)
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%v: %v, want %v", c.lags, got, c.want)
		}
	}
}
