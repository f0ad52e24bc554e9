package plant

import (
	"sort"

	"chapterhouse/testdata/voices/exact"
	"chapterhouse/testdata/voices/narration"
	"chapterhouse/testdata/voices/speech"
)

// A Bed is one reading in parts, on which faults are laid.
type Bed struct {
	rateHz       int
	voice, noise []float64
	marks        []speech.Mark
	popLevel     float64 // P95 of the RMS below 120 Hz over 30 ms while speaking
}

// NewBed reads.
func NewBed(r narration.Reading) (*Bed, error) {
	voice, noise, labels, err := r.VoiceAndNoise()
	if err != nil {
		return nil, err
	}
	b := &Bed{rateHz: r.RateHz, voice: voice, noise: noise, marks: labels.Marks}
	low := below(voice, 120, float64(r.RateHz))
	var levels []float64
	frame := r.RateHz * 30 / 1000
	for _, m := range b.of("sentence") {
		for at := m.From; at+frame <= m.To; at += frame {
			levels = append(levels, rms(low[at:at+frame]))
		}
	}
	b.popLevel = percentile(levels, 95)
	return b, nil
}

// of are the places of one kind of mark.
func (b *Bed) of(kind string) []Span {
	var all []Span
	for _, m := range b.marks {
		if m.Kind == kind {
			all = append(all, Span{int(m.From), int(m.To)})
		}
	}
	return all
}

// window is a stretch of the bed as a bed, cut in pauses.
func (b *Bed) window(seconds float64, r *exact.Random) *Bed {
	n := int(float64(seconds * float64(b.rateHz)))
	if n >= len(b.voice) {
		return b
	}
	from := r.Intn(len(b.voice) - n)
	for _, t := range b.of("room-tone") {
		if t.To > from && t.To+n <= len(b.voice) {
			from = max(t.From, t.To-b.rateHz*6/10)
			break
		}
	}
	from = min(from, len(b.voice)-n)
	w := &Bed{rateHz: b.rateHz, voice: b.voice[from : from+n], noise: b.noise[from : from+n], popLevel: b.popLevel}
	for _, m := range b.marks {
		if m.From -= int64(from); m.From < 0 {
			continue
		}
		if m.To -= int64(from); m.To <= int64(n) {
			w.marks = append(w.marks, m)
		}
	}
	return w
}

// A Layer is a scene in the making.
type Layer struct {
	*Bed
	random *exact.Random
	added  []float64           // to the sum
	room   []float64           // the noise, where a fault changes it; nil: as it is
	late   []func(x []float64) // done to the sum: what happens in the converter and after it
	sides  func(x []float64) [][]float64
	taken  []Span
}

func (b *Bed) layer(r *exact.Random) *Layer {
	return &Layer{Bed: b, random: r, added: make([]float64, len(b.voice))}
}

// apartS lies between faults of a moment.
const apartS = 4.0

// free takes a place where no other fault is near.
func (l *Layer) free(s Span) bool {
	apart := int(float64(apartS * float64(l.rateHz)))
	for _, t := range l.taken {
		if s.From < t.To+apart && s.To > t.From-apart {
			return false
		}
	}
	return s.From >= l.rateHz && s.To <= len(l.voice)-l.rateHz
}

// somewhere is a moment of a length in frames, margin inside of a place of a
// kind, that good likes and where no other fault is near.
func (l *Layer) somewhere(kind string, length, margin int, good func(Span) bool) (Span, bool) {
	places := l.of(kind)
	for range 60 {
		if len(places) == 0 {
			break
		}
		p := places[l.random.Intn(len(places))]
		room := p.To - p.From - 2*margin - length
		if room <= 0 {
			continue
		}
		at := p.From + margin + l.random.Intn(room)
		if s := (Span{at, at + length}); l.free(s) && (good == nil || good(s)) {
			l.taken = append(l.taken, s)
			return s, true
		}
	}
	return Span{}, false
}

func (l *Layer) ms(n float64) int { return int(float64(n * float64(l.rateHz) / 1000)) }

// scene puts it all together.
func (l *Layer) scene(plants []Plant) Scene {
	room := l.room
	if room == nil {
		room = l.noise
	}
	x := l.added
	for i := range x {
		x[i] += l.voice[i] + room[i]
	}
	for _, f := range l.late {
		f(x)
	}
	s := Scene{RateHz: l.rateHz, Plants: plants}
	if l.sides != nil {
		s.Sides = l.sides(x)
		x = make([]float64, len(x))
		for _, side := range s.Sides {
			convert(side)
			for i, v := range side {
				x[i] += v / float64(len(s.Sides))
			}
		}
		s.Mono = x
		return s
	}
	convert(x)
	s.Mono = x
	return s
}

// Wanted is a kind at a level.
type Wanted struct {
	Kind  Kind
	Level int
}

func (w Wanted) plant(places []Span) Plant {
	return Plant{w.Kind.Name, w.Kind.Level(w.Level), places}
}

// WindowS is how long the reading of a fault of a stretch is.
const WindowS = 75.0

// Whole lays a fault that takes a whole bed.
func (b *Bed) Whole(w Wanted, seed uint64) Scene {
	l := b.layer(exact.NewRandom(seed, w.Kind.Name))
	places, ok := w.Kind.lay(l, w.Kind.Sizes[w.Level])
	if !ok {
		return l.scene(nil)
	}
	return l.scene([]Plant{w.plant(places)})
}

// Window lays a fault of a stretch into a window of the bed.
func (b *Bed) Window(w Wanted, seed uint64) Scene {
	r := exact.NewRandom(seed, w.Kind.Name)
	for range 20 {
		l := b.window(WindowS, r).layer(r)
		if places, ok := w.Kind.lay(l, w.Kind.Sizes[w.Level]); ok {
			return l.scene([]Plant{w.plant(places)})
		}
	}
	l := b.window(WindowS, r).layer(r)
	return l.scene(nil)
}

// Spots lays as many of what is wanted into the bed as find a place, and gives
// the rest back.
func (b *Bed) Spots(wanted []Wanted, seed uint64) (Scene, []Wanted) {
	r := exact.NewRandom(seed, "spots")
	l := b.layer(r)
	order := append([]Wanted(nil), wanted...)
	for i := len(order) - 1; i > 0; i-- {
		j := r.Intn(i + 1)
		order[i], order[j] = order[j], order[i]
	}
	var plants []Plant
	var left []Wanted
	for _, w := range order {
		if places, ok := w.Kind.lay(l, w.Kind.Sizes[w.Level]); ok {
			plants = append(plants, w.plant(places))
		} else {
			left = append(left, w)
		}
	}
	sort.SliceStable(plants, func(i, j int) bool { return plants[i].Places[0].From < plants[j].Places[0].From })
	return l.scene(plants), left
}
