package attention

import (
	"context"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/level"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/codec"
)

const (
	// clipLUFS is where all clips' recordings lie, so that none seems worse for
	// being louder (the target level of EBU R 128); clipPeakDBTP is as high as
	// the highest peak of one may come by that.
	clipLUFS     = -23.0
	clipPeakDBTP = -1.0
	clipBits     = 16
	clipFadeS    = 0.02

	clipBeforeS, clipAfterS = 2.0, 3.0 // heard before a place and from its start on
	clipMostS               = 10.0
	waveBeforeS             = 0.5
	waveColumns             = 200

	maxClips      = 200 // of a title, the most urgent
	maxOfAChapter = 20
)

// An Extent is how low and high a recording reaches within a column of its
// picture, full scale ±1.
type Extent struct{ Low, High float32 }

// Within is where a place lies in the picture of it, which is WaveS long, seconds.
func (p Place) Within() (fromS, toS float64) {
	return waveBeforeS, min(WaveS, waveBeforeS+max(0, p.EndS-p.StartS))
}

// WaveS is how long pictures of places are.
const WaveS = 2.0

// A Recording is a file that clips are cut from.
type Recording struct {
	Blob pipeline.Digest
	Name string // of a file that an opener can give it
}

// clipSharedS is how near places of one recording are heard in one clip, seconds.
const clipSharedS = 0.5

// piece is what is to be cut for places near each other.
type piece struct {
	places []*Place
	atS    []float64 // of each, in the recording
	gainDB float64
}

// takes tells whether a place is heard in the piece, and takes it in.
func (one *piece) takes(p *Place, atS float64) bool {
	if math.Abs(atS-one.atS[0]) > clipSharedS {
		return false
	}
	one.places, one.atS = append(one.places, p), append(one.atS, atS)
	return true
}

// span is what of the recording is heard, seconds.
func (one *piece) span() (fromS, toS float64) {
	fromS = slices.Min(one.atS)
	for i, p := range one.places {
		long := max(clipAfterS, p.EndS-p.StartS+clipAfterS/2)
		toS = max(toS, one.atS[i]+long)
	}
	return max(0, fromS-clipBeforeS), min(toS, fromS+clipMostS-clipBeforeS)
}

// Cut looks at the list's places and cuts a clip for each into dir, as FLAC of
// one channel and one level, from the delivered file or, for what was cut away
// there, from the source. bring brings a recording to a path; each is asked for
// and read once. A recording that is gone or damaged costs its places their
// clips, and is named in the error of kind Missing or Source that is returned
// when all else is done.
func (l *List) Cut(ctx context.Context, o pipeline.Outcome, bring func(context.Context, Recording) (string, error), dir string) error {
	var without error
	left, names := maxClips, map[string]bool{}
	for c := range l.Chapters {
		ch := &l.Chapters[c]
		out := o.Chapters[ch.Index]
		var order []Recording
		pieces := map[Recording][]*piece{}
		n := 0
		for i := range ch.Places {
			p := &ch.Places[i]
			from, atS, gainDB, ok := sourceOf(*p, out, o.Specs)
			near := func(one *piece) bool { return one.takes(p, atS) }
			if !ok || slices.ContainsFunc(pieces[from], near) || n == maxOfAChapter || left == 0 {
				continue
			}
			n++
			left--
			if pieces[from] == nil {
				order = append(order, from)
			}
			pieces[from] = append(pieces[from], &piece{[]*Place{p}, []float64{atS}, gainDB})
		}
		for _, from := range order {
			err := cut(ctx, from, pieces[from], bring, func(one *piece) string { return filepath.Join(dir, nameOf(*ch, one, names)) })
			switch kind := pipeline.KindOf(err); {
			case err == nil:
			case ctx.Err() != nil || kind != pipeline.Missing && kind != pipeline.Source:
				return err
			default:
				without = pipeline.Errorf(kind, fmt.Sprintf("cut clips of chapter %d", ch.Number), "%w", err)
			}
		}
	}
	return without
}

// sourceOf is what a place can be cut from, and where and with which gain: a
// delivered file, one that lost nothing where there is one, else its source.
func sourceOf(p Place, ch pipeline.ChapterOutcome, specs []pipeline.Spec) (from Recording, atS, gainDB float64, ok bool) {
	if !Placed(p.Finding) {
		return from, 0, 0, false
	}
	if f, spec, there := clearest(ch, specs); there {
		if s, there := ch.Bodies(spec).InFile(p.Source, p.StartS); there {
			return recordingOf(f), s, matched(float64(f.Record.Levels.Integrated), float64(f.Record.Levels.TruePeak)), true
		}
	}
	for _, part := range ch.Parts {
		if l := part.Profile.Levels; part.Source == p.Source && l.Frames > 0 {
			return Recording{part.Source, string(part.Source)}, p.StartS, matched(float64(l.Integrated), float64(l.TruePeak)), true
		}
	}
	return from, 0, 0, false
}

// clearest is a chapter's file that lost nothing, else its first, and its spec.
func clearest(ch pipeline.ChapterOutcome, specs []pipeline.Spec) (file pipeline.FileOutcome, spec pipeline.Spec, ok bool) {
	for _, f := range ch.Files {
		i := slices.IndexFunc(specs, func(s pipeline.Spec) bool { return s.Spec == f.Spec })
		if i >= 0 && (!ok || file.Format.Format == pipeline.MP3 && f.Format.Format != pipeline.MP3) {
			file, spec, ok = f, specs[i], true
		}
	}
	return file, spec, ok
}

func recordingOf(f pipeline.FileOutcome) Recording {
	return Recording{f.Blob, string(f.Blob) + "." + string(f.Format.Format)}
}

// matched is the gain that brings a recording to the level of all clips.
func matched(lufs, dbtp float64) float64 {
	g := clipLUFS - lufs
	if math.IsNaN(g) || math.IsInf(g, 0) {
		return 0
	}
	if !math.IsNaN(dbtp) && !math.IsInf(dbtp, 0) {
		g = min(g, clipPeakDBTP-dbtp)
	}
	return g
}

// cut reads a recording once and writes the clips of its pieces.
func cut(ctx context.Context, from Recording, pieces []*piece, bring func(context.Context, Recording) (string, error), path func(*piece) string) error {
	at, err := bring(ctx, from)
	if err != nil {
		return err
	}
	var all []codec.Stretch // of each piece, then of the picture of each place
	for _, one := range pieces {
		fromS, toS := one.span()
		all = append(all, codec.Stretch{FromS: fromS, ToS: toS})
	}
	for _, one := range pieces {
		for _, s := range one.atS {
			all = append(all, codec.Stretch{FromS: max(0, s-waveBeforeS), ToS: s - waveBeforeS + WaveS})
		}
	}
	rateHz, heard, err := codec.Stretches(ctx, at, all)
	if err != nil {
		return err
	}
	pictures := heard[len(pieces):]
	for i, one := range pieces {
		clip := ""
		if x := louder(heard[i], one.gainDB); len(x) > 0 {
			to := path(one)
			if err := write(to, x, rateHz, level.SeedOf(string(from.Blob)), dsp.FramesIn(all[i].FromS, rateHz)); err != nil {
				return err
			}
			clip = filepath.Base(to)
		}
		for k, p := range one.places {
			before := max(0, waveBeforeS-one.atS[k]) // nothing is there before the start
			p.Wave = extents(louder(pictures[k], one.gainDB), int(math.Round(before/WaveS*waveColumns)), float64(rateHz)*WaveS/waveColumns)
			p.Clip = clip
		}
		pictures = pictures[len(one.places):]
	}
	return nil
}

func louder(x []float32, gainDB float64) []float64 {
	g := kernel.FromDB(gainDB)
	out := make([]float64, len(x))
	for i, v := range x {
		out[i] = g * float64(v)
	}
	return out
}

// extents are the columns of a picture, the first of them empty.
func extents(x []float64, empty int, perColumn float64) []Extent {
	out := make([]Extent, waveColumns)
	for k := empty; k < waveColumns; k++ {
		from, to := int(float64(k-empty)*perColumn), int(float64(k-empty+1)*perColumn)
		for _, v := range x[min(from, len(x)):min(to, len(x))] {
			out[k].Low, out[k].High = min(out[k].Low, float32(v)), max(out[k].High, float32(v))
		}
	}
	return out
}

// write writes a clip, faded at its ends. at is its place in its recording.
func write(path string, x []float64, rateHz int, seed level.Seed, at dsp.Frames) error {
	ramp := min(int(dsp.FramesIn(clipFadeS, rateHz)), len(x)/2)
	for i := range ramp {
		g := (float64(i) + 0.5) / float64(ramp)
		x[i] *= g
		x[len(x)-1-i] *= g
	}
	dither, err := level.NewDither(clipBits, seed)
	if err != nil {
		return pipeline.Errorf(pipeline.Bug, "clip", "%w", err)
	}
	dither.Process(x, at)
	w, err := codec.CreateFLAC(path, rateHz, 1, clipBits)
	if err != nil {
		return err
	}
	err = w.Write([][]float64{x})
	if closing := w.Close(); err == nil {
		err = closing
	}
	return err
}

// nameOf is a clip's file name: chapter, time in the file, and what is there,
// where it is one thing.
func nameOf(ch Chapter, one *piece, taken map[string]bool) string {
	p := one.places[slices.Index(one.atS, slices.Min(one.atS))]
	at := "source-" + p.InSource
	if p.FileS != nil {
		at = p.InFile
	}
	h, rest, _ := strings.Cut(at, ":")
	m, s, _ := strings.Cut(rest, ":")
	base := fmt.Sprintf("%03d-%sh%sm%ss", ch.Number, h, m, s)
	switch other := func(q *Place) bool { return q.Check != p.Check }; {
	case slices.ContainsFunc(one.places, other):
	case pipeline.ValidSlug(p.Check):
		base += "-" + p.Check
	default:
		base += "-finding"
	}
	name := base + ".flac"
	for n := 2; taken[name]; n++ {
		name = fmt.Sprintf("%s-%d.flac", base, n)
	}
	taken[name] = true
	return name
}
