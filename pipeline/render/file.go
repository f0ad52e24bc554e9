package render

import (
	"fmt"
	"math"
	"os"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/dsp/level"
	"chapterhouse/dsp/meter"
	"chapterhouse/dsp/resample"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/codec"
	"chapterhouse/pipeline/series"
)

const (
	// maxEncodes bounds how often a file is made again because its decode
	// lies over the ceiling or outside the window: once and three corrections.
	maxEncodes = 4
	// lossyRoomDB is how far under the ceiling the limiter starts when the
	// encoder may raise peaks: at 192 kbps they rise by some tenths (common
	// practice); what rises further is corrected.
	lossyRoomDB = 0.5
	// ownRoomDB covers what resampling and rounding may add.
	ownRoomDB = 0.05
	// limiterReleaseMS is short enough for one stray peak not to be heard as
	// a dip, long enough not to ride a vowel's periods (common practice).
	limiterReleaseMS = 80.0
	// correctRoomDB is how far under the ceiling a correction aims.
	correctRoomDB = 0.1
)

// file makes one deliverable file and measures it as a listener would decode it.
func (b *bench) file(r pipeline.FileRecipe) (rec pipeline.FileRecord, files []pipeline.Output, audioS float64, err error) {
	if r.Role == pipeline.RoleAsset {
		return b.asset(r)
	}
	pass, err := b.chained(r.Parts)
	if err != nil {
		return rec, nil, 0, err
	}
	list, err := newPlaylist(r, pass)
	if err != nil {
		return rec, nil, 0, err
	}
	for _, i := range list.bare {
		rec.Notes = append(rec.Notes, fmt.Sprintf("part %d holds no room tone: its edges are noise of %.0f dBFS", i+1, bareDBFS))
	}
	rec.Stages = addUses(pass.uses)
	path := b.temp("file." + string(r.Format.Format))
	var done mastered
	heard, err := b.settle(r, path, &rec, func(ceilingDBTP float64) (_ mastered, err error) {
		list.correct(rec.CorrectDB)
		done, err = b.write(r, list, ceilingDBTP, path)
		rec.Limiter, rec.Deep = done.use, done.deep
		return done, err
	})
	if err != nil {
		return rec, nil, 0, err
	}
	files, err = b.finish(path, heard, done.gain, list.bodies())
	if err != nil {
		return rec, nil, 0, err
	}
	source, err := b.keepBytes(series.SourceRole, pass.source)
	return rec, append(files, source), list.frames.Seconds(list.rateHz), err
}

// finish draws a file's pictures and moves it to its place among the outputs.
func (b *bench) finish(path string, heard *portrait, limiter series.Trace, bodies []series.Body) ([]pipeline.Output, error) {
	drawn, err := heard.draw(limiter, bodies)
	if err != nil {
		return nil, err
	}
	out, err := b.keep(path)
	if err != nil {
		return nil, err
	}
	pictures, err := b.keepBytes(series.FileRole, drawn)
	return []pipeline.Output{out, pictures}, err
}

// settle writes a file and writes it again, with the limiter starting lower or
// rec.CorrectDB of gain, until what is decoded of it lies under the ceiling and
// inside the window, or it was tried often enough. rec holds what it measures,
// and the portrait what was heard of it.
func (b *bench) settle(r pipeline.FileRecipe, path string, rec *pipeline.FileRecord, write func(ceilingDBTP float64) (mastered, error)) (*portrait, error) {
	ceiling := float64(r.Peak.MaxDBTP) - ownRoomDB
	if r.Format.Format == pipeline.MP3 {
		ceiling = float64(r.Peak.MaxDBTP) - lossyRoomDB
	}
	// yields is how much of a decibel of gain arrives in the level: the limiter
	// takes the rest of it back.
	yields, before, beforeDB := 1.0, 0.0, dsp.DB(0)
	for {
		rec.Encodes++
		made, err := write(ceiling)
		if err != nil {
			return nil, err
		}
		heard, err := b.measure(path, rec, made)
		if err != nil {
			return nil, err
		}
		over := float64(rec.Levels.TruePeak - r.Peak.MaxDBTP)
		at := r.Level.Of(rec.Levels)
		if rec.CorrectDB != beforeDB {
			yields = max(0.25, min(1, (at-before)/float64(rec.CorrectDB-beforeDB)))
		}
		before, beforeDB = at, rec.CorrectDB
		off := outside(r.Level, rec.Levels)
		if over <= 0 && off == 0 || rec.Encodes == maxEncodes {
			heard.fill(rec)
			return heard, nil
		}
		if over > 0 {
			ceiling -= over + correctRoomDB
		}
		if off != 0 {
			step := -off / yields
			rec.CorrectDB += dsp.DB(math.Round(10*step) / 10)
		}
	}
}

// outside is how far a file lies outside its level's window and a little more,
// in steps of 0.1 dB: negative below, 0 inside or where nothing can be told.
func outside(l pipeline.Level, levels meter.Levels) float64 {
	at := l.Of(levels)
	switch {
	case l.Measure == "" || math.IsNaN(at) || math.IsInf(at, 0):
		return 0
	case at < l.Window[0]:
		return -math.Ceil(10*(l.Window[0]-at+correctRoomDB)) / 10
	case at > l.Window[1]:
		return math.Ceil(10*(at-l.Window[1]+correctRoomDB)) / 10
	}
	return 0
}

// mastered is what a limiter did to a file.
type mastered struct {
	use  pipeline.StageUse
	deep []pipeline.Place
	gain series.Trace

	speech dsp.DBFS   // ITU-T P.56, of the mean of the channels
	frames dsp.Frames // of the file
}

// write runs a playlist through limiter, resampling and dither into a file.
func (b *bench) write(r pipeline.FileRecipe, list *playlist, ceilingDBTP float64, path string) (none mastered, err error) {
	limiter, err := level.NewLimiter(level.LimiterSettings{CeilingDBTP: ceilingDBTP, ReleaseMS: limiterReleaseMS}, float64(list.rateHz))
	if err != nil {
		return none, pipeline.Errorf(pipeline.House, "spec", "%w", err)
	}
	use := newStageUses([]pipeline.Resolved{{Stage: "limiter"}}, list.rateHz)
	deep, line := newDeepPlaces(list), newGainLine(list.rateHz)
	engine := dsp.NewEngine(0, limiter)
	engine.OnQuantum(func(at dsp.Frames, stage int, gainsDB []float64) {
		use.quantum(at, stage, gainsDB)
		deep.quantum(at, gainsDB)
		line.quantum(at, list.frames, gainsDB)
	})
	rs, err := resample.New(list.rateHz, r.Format.RateHz)
	if err != nil {
		return none, pipeline.Errorf(pipeline.House, "spec", "%w", err)
	}
	out, err := b.openOutput(r, path)
	if err != nil {
		return none, err
	}
	if dithered(r.Format) {
		if out.dither, err = newDithers(list, r.Format.Bits, r.Format.RateHz); err != nil {
			return none, err
		}
	}
	var done dsp.Frames
	resampled := func(y []float64) { out.write(y) }
	limited := func(y []float64) { rs.Write(y, resampled) }
	err = list.stream(func(x []float64) error {
		engine.Write(x, limited)
		done += dsp.Frames(len(x))
		b.progress(0.5 + 0.3*float64(done)/float64(list.frames))
		if out.err != nil {
			return out.err
		}
		return b.ctx.Err()
	})
	if err == nil {
		engine.Close(limited)
		rs.Close(resampled)
	}
	if closing := out.close(); err == nil {
		err = closing
	}
	if err != nil {
		return none, err
	}
	m := mastered{deep: deep.done(), gain: line.trace(steps(list.frames, list.rateHz)), speech: out.speech.Level(), frames: out.frames}
	if uses := addUses([]*stageUses{use}); len(uses) > 0 {
		m.use = uses[0]
	}
	return m, nil
}

// measure decodes a finished file, fills in what it measures and listens to it.
func (b *bench) measure(path string, rec *pipeline.FileRecord, made mastered) (*portrait, error) {
	var (
		m     *meter.Meter
		room  *meter.RoomMeter
		heard *portrait
		is    codec.Info
		done  dsp.Frames
	)
	err := b.decoded(path, func(i codec.Info) {
		is, m, room = i, meter.New(i.RateHz, i.Channels), meter.NewFloor(i.RateHz)
		heard = newPortrait(i.RateHz, made)
	}, func(ch [][]float64) error {
		m.Write(ch...)
		room.Write(ch[0])
		heard.write(ch)
		b.progress(0.9 + 0.1*min(1, float64(done)/float64(is.Frames+1)))
		done += dsp.Frames(len(ch[0]))
		return b.ctx.Err()
	})
	if err != nil {
		return nil, err
	}
	rec.Levels = m.Levels()
	quiet := room.Result()
	rec.Floor = quiet.Floor
	rec.LengthS = dsp.Round2(rec.Levels.Frames.Seconds(is.RateHz))
	rec.HeadS = dsp.Round2(quiet.Bounds.From.Seconds(is.RateHz))
	rec.TailS = dsp.Round2((rec.Levels.Frames - quiet.Bounds.To).Seconds(is.RateHz))
	return heard, nil
}

// keep moves a finished file to its place among the outputs.
func (b *bench) keep(path string) (pipeline.Output, error) {
	f, err := os.Open(path)
	if err != nil {
		return pipeline.Output{}, pipeline.Errorf(pipeline.Bug, "output", "%w", err)
	}
	blob, n, err := pipeline.DigestReader(f)
	f.Close()
	if err == nil {
		err = os.Rename(path, OutputPath(b.dir, blob))
	}
	if err != nil {
		return pipeline.Output{}, pipeline.Errorf(pipeline.Infra, "output", "%w", err)
	}
	return pipeline.Output{Role: "audio", Blob: blob, Bytes: n}, nil
}

// deepPlaces gathers where the limiter worked by more than 3 dB.
type deepPlaces struct {
	list   *playlist
	step   dsp.Frames
	places []pipeline.Place
}

const (
	deepDB     = 3.0
	deepJoinS  = 1.0 // places closer than this are one
	deepAtMost = 50  // the deepest; past them a chapter needs more than a list
)

func newDeepPlaces(list *playlist) *deepPlaces {
	return &deepPlaces{list: list, step: dsp.Frames(dsp.ControlStep(float64(list.rateHz)))}
}

func (d *deepPlaces) quantum(at dsp.Frames, gainsDB []float64) {
	for i, g := range gainsDB {
		if g >= -deepDB {
			continue
		}
		source, s, ok := d.list.place(max(0, at+dsp.Frames(i)*d.step))
		if !ok {
			continue
		}
		if n := len(d.places); n > 0 && d.places[n-1].Source == source && s-d.places[n-1].EndS < deepJoinS && s >= d.places[n-1].StartS {
			d.places[n-1].EndS = s
			d.places[n-1].DB = min(d.places[n-1].DB, dsp.DB(g))
		} else {
			d.places = append(d.places, pipeline.Place{Source: source, StartS: s, EndS: s, DB: dsp.DB(g)})
		}
	}
}

// done is the deepest places, in the file's order.
func (d *deepPlaces) done() []pipeline.Place {
	if len(d.places) > deepAtMost {
		depths := make([]dsp.DB, len(d.places))
		for i, p := range d.places {
			depths[i] = p.DB
		}
		slices.Sort(depths)
		d.places = slices.DeleteFunc(d.places, func(p pipeline.Place) bool { return p.DB > depths[deepAtMost-1] })
		d.places = d.places[:min(deepAtMost, len(d.places))]
	}
	for i := range d.places {
		p := &d.places[i]
		p.StartS, p.EndS, p.DB = dsp.Round2(p.StartS), dsp.Round2(p.EndS), dsp.DB(math.Round(float64(p.DB)*10)/10)
	}
	return d.places
}
