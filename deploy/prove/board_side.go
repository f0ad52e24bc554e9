package main

import (
	"fmt"
	"math"
	"slices"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/check"
	"chapterhouse/testdata/voices/exact"
	"chapterhouse/testdata/voices/narration"
	"chapterhouse/testdata/voices/plant"
)

// What the whole board has of a side; --size takes a share.
const (
	boardPlants  = 128 // of each kind and level
	boardBeds    = 32  // readings that faults are laid on
	boardCleanH  = 5.8 // hours that nothing is planted in
	boardBedS    = 150.0
	boardLongS   = 900.0 // what drifts is told from what sentences do by themselves over a quarter of an hour, not over ten minutes
	boardLong    = 8     // long readings
	boardChapS   = 300.0 // of a clean chapter
	boardHz      = 44100
	boardDBFS    = -26.0
	spotsAtOnce  = 16
	scriptAtOnce = 5
	// tuneShare of all that is as many as thresholds need that are fixed there.
	tuneShare = 0.5
)

// boardFloors are rooms from quiet to poor, plain RMS.
func boardFloors() []float64 { return []float64{-75, -66, -58, -50} }

// A boardSide is one of the two bodies of readings: thresholds are fixed on the
// first, the second is what counts. They share no voice, booth, noise or seed.
type boardSide struct {
	name   string
	voices []string
	booths []string
	noises []string // with the levels of a colour and of hiss to be filled in
	size   float64
	seed   uint64
}

func boardSides(seed uint64, size float64) []boardSide {
	return []boardSide{
		{name: "tune", voices: []string{"alder", "heron", "quill", "sorrel"}, size: size * tuneShare, seed: 10000 * seed,
			booths: []string{"1.4x1.2x2.2,low=0.25", "1.35x1.1x2.1,low=0.2,high=0.6"},
			noises: []string{"brown:%.2f,hiss:%.2f", "fan:%.2f@118,hiss:%.2f"}},
		{name: "print", voices: []string{"marlow", "wren", "tansy", "birch", "espeak-m3", "espeak-f2", "espeak-f5", "espeak-klatt4"}, size: size, seed: 10000*seed + 5000,
			booths: []string{"1.3x1.7x2.05,low=0.26,high=0.66", "1.55x1.15x2.3,low=0.28,high=0.6"},
			noises: []string{"pink:%.2f,white:%.2f", "fan:%.2f@87,white:%.2f"}},
	}
}

// reading is the side's n-th: voices take turns, and each goes through floors,
// booths and noises.
func (s boardSide) reading(n int) narration.Reading {
	v := len(s.voices)
	room := n/v + n%v
	floor := boardFloors()[room%len(boardFloors())]
	return narration.Reading{
		Voice: s.voices[n%v], Seed: s.seed + uint64(n), RateHz: boardHz, Spread: 1, SpeechDBFS: boardDBFS,
		Booth:  s.booths[(n/v+room/2)%len(s.booths)],
		Noise:  fmt.Sprintf(s.noises[room%len(s.noises)], floor-1.25, floor-6), // of its power three quarters and a quarter
		Manner: narration.Manner{HeadS: 1, TailS: 1.5, PauseS: plant.PauseS, PauseMinS: 0.45, Even: true},
	}
}

// formula tells whether a voice is one of formulas.
func formula(voice string) bool { return narration.Reading{Voice: voice}.Wide() }

// beds is how many readings the side's size asks for, and each is how many of a
// kind and level are planted in one.
func (s boardSide) beds() int {
	return max(len(s.voices), int(math.Round(boardPlants*s.size/float64(s.each()))))
}

func (s boardSide) each() int {
	return max(1, int(math.Round(boardPlants/boardBeds*s.size)))
}

// wanted is what is planted in the n-th reading's voice, of kinds that good
// takes, shuffled.
func (s boardSide) wanted(kinds []plant.Kind, n int, good func(plant.Kind) bool) []plant.Wanted {
	var all []plant.Wanted
	voice := s.voices[n%len(s.voices)]
	for _, k := range kinds {
		if !good(k) || k.FormulaOnly && !formula(voice) {
			continue
		}
		beds := 0
		for b := range s.beds() {
			if !k.FormulaOnly || formula(s.voices[b%len(s.voices)]) {
				beds++
			}
		}
		for range int(math.Ceil(float64(s.each()*s.beds())/float64(beds) - 0.01)) {
			for level := range k.Sizes {
				all = append(all, plant.Wanted{Kind: k, Level: level})
			}
		}
	}
	r := exact.NewRandom(s.seed+uint64(n), "order")
	for i := len(all) - 1; i > 0; i-- {
		j := r.Intn(i + 1)
		all[i], all[j] = all[j], all[i]
	}
	return all
}

// smallSize is below what kinds whose readings are long are planted half as often.
const smallSize = 0.2

// slow is how often each of so many readings has a kind whose readings are long.
func (s boardSide) slow(readings int) int {
	plants := boardPlants * s.size
	if s.size < smallSize {
		plants /= 2
	}
	return max(1, int(math.Ceil(plants/float64(readings)-0.01)))
}

// longBeds is how many long readings the side's size asks for.
func (s boardSide) longBeds() int { return max(2, int(math.Round(boardLong*s.size))) }

// long hears the n-th long reading with faults that take all of it.
func (s boardSide) long(kinds []plant.Kind, n int) (tally, error) {
	t := newTally()
	r := s.reading(n)
	r.Seed += 500
	r.Manner.StopAtS = boardLongS
	bed, err := plant.NewBed(r)
	if err != nil {
		return t, err
	}
	for _, k := range kinds {
		for i := range s.slow(s.longBeds()) {
			for level := range k.Sizes {
				if err := s.score(&t, bed.Whole(plant.Wanted{Kind: k, Level: level}, r.Seed+uint64(1000*i)), r.Voice); err != nil {
					return t, err
				}
			}
		}
	}
	return t, nil
}

// score hears a scene and counts what is found of its plants.
func (s boardSide) score(t *tally, scene plant.Scene, voice string) error {
	if len(scene.Plants) == 0 {
		return nil
	}
	checks := checksFor(scene)
	h, err := hear(playScene(scene), checks)
	if err != nil {
		return err
	}
	title := check.Title{Chapters: []pipeline.ChapterOutcome{h.chapter(1, voice)}}
	t.score(scene, append(h.found, check.Read(checks, title, 0)...))
	return nil
}

// planted hears the n-th reading with faults of kinds.
func (s boardSide) planted(kinds []plant.Kind, n int) (tally, error) {
	t := newTally()
	r := s.reading(n)
	spots := s.wanted(kinds, n, plant.Kind.Spot)
	windows := s.wanted(kinds, n, func(k plant.Kind) bool { return !k.Spot() && !k.Scripted() })
	if len(spots)+len(windows) > 0 {
		read := r
		read.Manner.StopAtS = boardBedS
		bed, err := plant.NewBed(read)
		if err != nil {
			return t, err
		}
		for try := 0; len(spots) > 0 && try < 100; try++ {
			k := min(spotsAtOnce, len(spots))
			scene, left := bed.Spots(spots[:k], r.Seed+uint64(1000*try))
			spots = append(spots[k:], left...)
			if err := s.score(&t, scene, r.Voice); err != nil {
				return t, err
			}
		}
		again := map[string]uint64{} // the same windows whatever other kinds are asked for, and for every level
		for _, w := range windows {
			name := w.Kind.Name + w.Kind.Level(w.Level)
			again[name]++
			if err := s.score(&t, bed.Window(w, r.Seed+1000*again[name]), r.Voice); err != nil {
				return t, err
			}
		}
	}
	return t, s.read(&t, r, s.wanted(kinds, n, plant.Kind.Scripted))
}

// read hears scripts with faults in them as chapters of one title, for some are
// judged by what the others do.
func (s boardSide) read(t *tally, r narration.Reading, wanted []plant.Wanted) error {
	var title check.Title
	var scenes []plant.Scene
	for i, w := range scripts(wanted) {
		read := r
		read.Seed += uint64(100000 * (i + 1))
		scene, err := plant.Read(read, w, read.Seed)
		if err != nil {
			return err
		}
		h, err := hear(playScene(scene), checksFor(scene))
		if err != nil {
			return err
		}
		title.Chapters = append(title.Chapters, h.chapter(i+1, r.Voice))
		scene.Mono = nil
		scenes = append(scenes, scene)
	}
	for i, scene := range scenes {
		t.score(scene, append(title.Chapters[i].Findings, check.Read(checksFor(scene), title, i)...))
	}
	return nil
}

// scripts are what is wanted by reading: several to one, none of a kind twice,
// for a habit is not what happens once.
func scripts(wanted []plant.Wanted) (all [][]plant.Wanted) {
next:
	for _, w := range wanted {
		for i, held := range all {
			if len(held) < scriptAtOnce && !slices.ContainsFunc(held, func(h plant.Wanted) bool { return h.Kind.Name == w.Kind.Name }) {
				all[i] = append(held, w)
				continue next
			}
		}
		all = append(all, []plant.Wanted{w})
	}
	return all
}

// checksFor are the checks that may name what is in a scene.
func checksFor(s plant.Scene) []check.Check {
	var all []check.Check
	for _, c := range check.Builtin() {
		wanted := false
		for _, p := range s.Plants {
			for _, name := range namings()[p.Kind].checks {
				wanted = wanted || name == c.Name
			}
		}
		if wanted {
			all = append(all, c)
		}
	}
	return all
}

// clean hears chapters of the n-th voice that nothing is planted in, a title of
// them.
func (s boardSide) clean(n int) (tally, error) {
	t := newTally()
	chapters := max(1, int(math.Round(boardCleanH*3600*s.size/boardChapS/float64(len(s.voices)))))
	r := s.reading(n)
	var title check.Title
	for i := range chapters {
		r.Seed = s.seed + uint64(2000+100*n+i)
		scene, err := plant.Clean(r, boardChapS)
		if err != nil {
			return t, err
		}
		h, err := hear(playScene(scene), check.Builtin())
		if err != nil {
			return t, err
		}
		what := fmt.Sprintf("%s, seed %d, %s", r.Voice, r.Seed, r.Noise)
		t.alarm(what, scene, h.found)
		t.hours += float64(len(scene.Mono)) / boardHz / 3600
		title.Chapters = append(title.Chapters, h.chapter(i+1, r.Voice))
	}
	for i := range title.Chapters {
		t.alarm(fmt.Sprintf("%s, chapter %d of its title", r.Voice, i+1), plant.Scene{RateHz: boardHz}, check.Read(check.Builtin(), title, i))
	}
	t.alarm(r.Voice+", the title", plant.Scene{RateHz: boardHz}, check.Whole(check.Builtin(), title))
	return t, nil
}
