package main

import (
	"context"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"chapterhouse/pipeline/clinic"
	"chapterhouse/pipeline/codec"
	"chapterhouse/testdata/voices/narration"
	"chapterhouse/testdata/voices/speech"
	"chapterhouse/testdata/voices/testread"
)

const (
	signSeed    = 7300
	signNamed   = 90.0                              // % of spoiled reads that the sign is to name,
	signFalse   = 10.0                              // and of clean ones that it may
	signBooth   = "2.5x2.05x2.4,low=0.55,high=0.85" // padded: nothing rings long
	signNoise   = "pink:-89,hiss:-92"
	signMP3Kbps = "96"
)

// A signRow is which sign names a fault, of which kind, and how its value is held
// against what was planted; nil: it has none that can be.
type signRow struct {
	fault, sign, kind string
	form              clinic.Form
	off               func(p plantedRead, s clinic.Sign) float64
	unit              string
	hopeless          bool // the verdict is not yet
	low               bool // asked of voices that have something below 200 Hz
}

// A plantedRead is a spoiled read and what it was made from.
type plantedRead struct {
	fault testread.Fault
	read  testread.Read
	l     narration.Labels
	x     []float64 // as it is heard
	clean *clinic.Read
}

// was is the value that a sign has of the clean read.
func (p plantedRead) was(name string) float64 {
	for _, s := range p.clean.Signs {
		if s.Name == name {
			return s.Value
		}
	}
	return math.NaN()
}

func signRows() []signRow {
	// The floor's missing decibels, from the noise's level as it was planted and the
	// page's by its labels.
	floor := func(p plantedRead, s clinic.Sign) float64 {
		from, to := p.read.Page(p.l)
		return s.Value - (p.fault.Size - 20 - rmsDB(p.x[from:to]) + 60)
	}
	size := func(p plantedRead, s clinic.Sign) float64 { return s.Value - p.fault.Size }
	near := clinic.Form{DistanceCM: 8}
	return []signRow{
		{fault: "hiss", sign: "floor", kind: "hiss", off: floor, unit: "dB"},
		{fault: "rumble", sign: "floor", kind: "rumble"},
		{fault: "fan", sign: "floor", kind: "fan", off: floor, unit: "dB"},
		{fault: "loud room", sign: "floor", kind: "even", off: floor, unit: "dB", hopeless: true},
		{fault: "hum", sign: "hum", off: func(p plantedRead, s clinic.Sign) float64 { return s.LowHz - p.fault.Size }, unit: "Hz"},
		{fault: "hot", sign: "level"}, {fault: "soft", sign: "level"},
		{fault: "clipped", sign: "clipping", hopeless: true},
		{fault: "live room", sign: "reverberation", off: size, unit: "s", hopeless: true},
		{fault: "low mids", sign: "low-mids"},
		{fault: "dull", sign: "top", kind: "dull"},
		{fault: "harsh", sign: "top", kind: "harsh"},
		{fault: "sharp esses", sign: "esses", off: func(p plantedRead, s clinic.Sign) float64 { return s.Value - p.was("esses") - p.fault.Size }, unit: "dB"},
		{fault: "plosives", sign: "plosives", off: size, unit: "a minute"},
		{fault: "near", sign: "proximity", form: near, low: true},
		{fault: "mouth noise", sign: "mouth-noise", off: func(p plantedRead, s clinic.Sign) float64 { return s.Value - p.was("mouth-noise") - p.fault.Size }, unit: "a minute"},
		{fault: "restless", sign: "dynamics"},
		{fault: "gate", sign: "gated", off: size, unit: "dB", hopeless: true},
		{fault: "muted pauses", sign: "gated", hopeless: true},
		{fault: "noise reduction", sign: "denoised", hopeless: true},
		{fault: "limiter", sign: "limited", hopeless: true},
	}
}

// signVoices are those that nothing was fixed on, of both families.
func signVoices() []string {
	return []string{"marlow", "wren", "tansy", "birch", "espeak-m3", "espeak-f5"}
}

// signCount is what a sign said of reads.
type signCount struct {
	named, of, met int // met: of verdicts
	off            []float64
	other          []string // reads that went the other way
}

func (c *signCount) add(read string, named, right bool) {
	c.of++
	if named {
		c.named++
	}
	if named != right {
		c.other = append(c.other, read)
	}
}

func (c *signCount) percent() float64 { return 100 * float64(c.named) / float64(max(1, c.of)) }

// said is how often, and of which reads not.
func (c *signCount) said(format string) string {
	text := fmt.Sprintf(format, c.named, c.of)
	if len(c.other) > 0 {
		text += " (" + strings.Join(c.other[:min(3, len(c.other))], ", ") + ")"
	}
	return text
}

// signCounts are all of them: by fault, and of clean reads by sign.
type signCounts struct {
	planted, clean map[string]*signCount
	workable       signCount
}

func (c *signCounts) of(m map[string]*signCount, name string) *signCount {
	if m[name] == nil {
		m[name] = &signCount{}
	}
	return m[name]
}

// clinicSigns plants one fault at a time in test reads, and counts how often the
// sign that is meant names it, and how often signs name something in clean ones.
func clinicSigns(ctx context.Context, s *site, t *table) error {
	if err := need("lame"); err != nil {
		return err
	}
	c := signCounts{planted: map[string]*signCount{}, clean: map[string]*signCount{}}
	for i, voice := range signVoices() {
		s.say("clinic: signs, voice %d of %d", i+1, len(signVoices()))
		rd := testread.Clean(voice, signSeed+s.seed+uint64(i))
		x, l, err := rd.Record()
		if err != nil {
			return err
		}
		clean := clinic.Hear(testread.Make(x, rd.RateHz, testread.Fault{}.Spoils(rd, l)...), rd.RateHz, clinic.Form{})
		c.hearClean(voice, rd, clean)
		padded := rd
		padded.Booth, padded.Noise, padded.Seed = signBooth, signNoise, rd.Seed+100
		y, l2, err := padded.Record()
		if err != nil {
			return err
		}
		c.hearClean(voice+" in a booth", padded, clinic.Hear(testread.Make(y, rd.RateHz, testread.Fault{}.Spoils(padded, l2)...), rd.RateHz, clinic.Form{}))
		for _, row := range signRows() {
			if err := ctx.Err(); err != nil {
				return err
			}
			if err := c.hearPlanted(row, plantedRead{read: rd, l: l, x: x, clean: clean}); err != nil {
				return err
			}
		}
		if err := c.hearLossy(ctx, s, rd, testread.Make(x, rd.RateHz, testread.Fault{}.Spoils(rd, l)...)); err != nil {
			return err
		}
	}
	c.fill(t)
	return nil
}

// wide tells whether a read's voice reaches up to half of the rate. That of the
// espeak-ng program ends at 11 kHz, as a file does that was once lossy.
func wide(r testread.Read) bool { return !strings.HasPrefix(r.Voice, "espeak-") }

// signLowHz is the pitch of voices that have something below 200 Hz, whatever they say.
const signLowHz = 150.0

// low tells whether a read's voice is one of them.
func low(r testread.Read) bool {
	return slices.ContainsFunc(narration.Voices(), func(v speech.Voice) bool { return v.Name == r.Voice && v.F0Hz <= signLowHz })
}

func (c *signCounts) hearClean(name string, rd testread.Read, r *clinic.Read) {
	worst := map[string]bool{"missing": false, "resonance": false, "reflection": false}
	for _, s := range r.Signs {
		worst[s.Name] = worst[s.Name] || s.Remedy == clinic.Processing || s.Remedy == clinic.Booth
	}
	for sign, named := range worst {
		walls := rd.Booth != "none" && (sign == "resonance" || sign == "reflection") // which a padded booth has too
		if (sign != "lossy" || wide(rd)) && !walls {
			c.of(c.clean, sign).add(name, named, false)
		}
	}
	if wide(rd) {
		verdict, why := clinic.Judge(r)
		c.workable.add(name+": "+why, verdict == clinic.Workable, true)
	}
}

func (c *signCounts) hearPlanted(row signRow, p plantedRead) (err error) {
	for _, f := range testread.Faults() {
		if f.Name == row.fault {
			p.fault = f
		}
	}
	if p.fault.Name == "" {
		return fmt.Errorf("no fault is called %q", row.fault)
	}
	if p.fault.FormulaOnly && !wide(p.read) || row.low && !low(p.read) {
		return nil
	}
	if p.fault.Change != nil {
		p.fault.Change(&p.read)
		if p.x, p.l, err = p.read.Record(); err != nil {
			return err
		}
	}
	p.x = testread.Make(p.x, p.read.RateHz, p.fault.Spoils(p.read, p.l)...)
	r := clinic.Hear(p.x, p.read.RateHz, row.form)
	count := c.of(c.planted, row.fault)
	named := false
	for _, s := range r.Signs {
		if s.Name != row.sign || s.Remedy == clinic.Good || s.Remedy == clinic.Unknown || s.Kind != row.kind {
			continue
		}
		if !named && row.off != nil {
			count.off = append(count.off, row.off(p, s))
		}
		named = true
	}
	count.add(p.read.Voice, named, true)
	if verdict, _ := clinic.Judge(r); verdict == clinic.NotYet {
		count.met++
	}
	return nil
}

// hearLossy has the read encoded by lame.
func (c *signCounts) hearLossy(ctx context.Context, s *site, rd testread.Read, x []float64) error {
	if !wide(rd) {
		return nil
	}
	in, out := s.path("read.wav"), s.path("read.mp3")
	w, err := codec.CreateWAV(in, rd.RateHz, 1, 16, false)
	if err != nil {
		return err
	}
	if err := w.Write([][]float64{x}); err != nil {
		return err
	}
	if err := w.Close(); err != nil {
		return err
	}
	if _, err := call(ctx, nil, "lame", "--quiet", "-m", "m", "-b", signMP3Kbps, in, out); err != nil {
		return err
	}
	r, err := clinic.Open(out, clinic.Form{})
	if err != nil {
		return err
	}
	count := c.of(c.planted, lossyFault)
	for _, sign := range r.Signs {
		if sign.Name == "lossy" {
			count.add(rd.Voice, sign.Remedy == clinic.Booth, true)
		}
	}
	if verdict, _ := clinic.Judge(r); verdict == clinic.NotYet {
		count.met++
	}
	return nil
}

const lossyFault = "MP3 of " + signMP3Kbps + " kbit/s"

// fill writes the rows: faults in their order, then what clean reads are said to have.
func (c *signCounts) fill(t *table) {
	for _, row := range append(signRows(), signRow{fault: lossyFault, sign: "lossy", hopeless: true}) {
		n := c.planted[row.fault]
		if n == nil {
			continue
		}
		more := n.said("%d of %d reads")
		if len(n.off) > 0 {
			slices.Sort(n.off)
			more += fmt.Sprintf("; its figure is off by %+.2g to %+.2g %s", n.off[0], n.off[len(n.off)-1], row.unit)
		}
		if row.hopeless {
			more += fmt.Sprintf("; %d not yet", n.met)
		}
		what := row.sign
		if row.kind != "" {
			what += " (" + row.kind + ")"
		}
		t.hold(fmt.Sprintf("%s, named by %s", row.fault, what), more, fmt.Sprintf("at least %.0f %%", signNamed), n.percent() >= signNamed)
	}
	for _, sign := range slices.Sorted(maps.Keys(c.clean)) {
		n := c.clean[sign]
		t.hold("clean reads in which "+sign+" names something", n.said("%d of %d"), fmt.Sprintf("at most %.0f %%", signFalse), n.percent() <= signFalse)
	}
	t.hold("clean reads that are workable", c.workable.said("%d of %d"), fmt.Sprintf("at least %.0f %%", signNamed), c.workable.percent() >= signNamed)
	t.note("Test reads of a minute by voices that no limit of a sign was chosen on, each spoiled in one way from what causes it; clean ones in")
	t.note("the open and in a padded booth. Voices are synthetic and lie near the average spectrum of speech: people differ more, so low mids, top")
	t.note("and proximity are told of people with less certainty than of these. espeak-ng's voices end at 11 kHz: lossy is not asked of them.")
	t.note("What rings or comes back is counted in the open alone: a padded booth has walls. Modes have rows of their own.")
	t.note("A voice that begins at 150 Hz has nothing of which nearness could be told: the sign says so, and is not asked.")
}
