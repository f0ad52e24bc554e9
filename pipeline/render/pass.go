package render

import (
	"fmt"
	"math"
	"os"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/chain"
	"chapterhouse/pipeline/series"
)

// A witness sees a part on its way through fit and chain.
type witness struct {
	raw     func(x []float64) // before any gain
	quantum func(at dsp.Frames, stage int, gainsDB []float64)
}

// run streams a cut through fit gain and chain.
func (b *bench) run(cut pipeline.Cut, fitDB dsp.DB, stages []pipeline.Resolved, facts pipeline.Facts, w witness, from, to float64, emit func([]float64)) error {
	marks, err := b.marks(cut)
	if err != nil {
		return err
	}
	procs, err := chain.New(stages, float64(cut.RateHz), chain.FactsAt(facts, marks, fitDB))
	if err != nil {
		return err
	}
	engine := dsp.NewEngine(0, procs...)
	if w.quantum != nil {
		engine.OnQuantum(w.quantum)
	}
	gain := kernel.FromDB(float64(fitDB))
	buf := make([]float64, 0, 4*readBlock)
	err = b.mono(cut, from, to, func(x []float64) {
		if w.raw != nil {
			w.raw(x)
		}
		buf = append(buf[:0], x...)
		for i := range buf {
			buf[i] *= gain
		}
		engine.Write(buf, emit)
	})
	if err != nil {
		return err
	}
	engine.Close(emit)
	return nil
}

// weigh measures a part after fit and chain, from its first to its last sound.
func (b *bench) weigh(r pipeline.WeighRecipe) (pipeline.WeighRecord, float64, error) {
	m := meter.New(r.Cut.RateHz, 1)
	var at dsp.Frames
	err := b.run(r.Cut, r.FitDB, r.Chain, r.Facts, witness{}, 0, 1, func(y []float64) {
		from := max(0, min(dsp.Frames(len(y)), r.Cut.Speech.From-at))
		to := max(from, min(dsp.Frames(len(y)), r.Cut.Speech.To-at))
		m.Write(y[from:to])
		at += dsp.Frames(len(y))
	})
	if err != nil {
		return pipeline.WeighRecord{}, 0, err
	}
	return pipeline.WeighRecord{Levels: m.Levels()}, at.Seconds(r.Cut.RateHz), nil
}

// chainPass is the parts of a chapter after their chains, kept on disk for as
// long as siblings want them: one pass serves every spec.
type chainPass struct {
	name   string // digest of what went in
	spools []*spool
	uses   []*stageUses
	source []byte // series.Source of all parts
}

func (p *chainPass) close() {
	for _, s := range p.spools {
		s.remove()
	}
}

// chainPass runs the parts through their chains, or returns the sibling's pass.
// The level gain is no part of it.
func (b *bench) chained(parts []pipeline.FilePart) (*chainPass, error) {
	bare := make([]pipeline.FilePart, len(parts))
	for i, p := range parts {
		bare[i] = p
		bare[i].GainDB = 0
	}
	text, err := pipeline.Canonical(bare)
	if err != nil {
		return nil, pipeline.Errorf(pipeline.Bug, "parts", "%w", err)
	}
	name := string(pipeline.DigestOf(text))
	if b.pass != nil && b.pass.name == name {
		return b.pass, nil
	}
	if b.pass != nil {
		b.pass.close()
		b.pass = nil
	}
	pass := &chainPass{name: name}
	var drawn series.Source
	for i, p := range parts {
		s, err := newSpool(b.temp(fmt.Sprintf("chained-%d", i)))
		if err != nil {
			pass.close()
			return nil, err
		}
		pass.spools = append(pass.spools, s)
		uses, sketch := newStageUses(p.Chain, p.Cut.RateHz), newSketch(p)
		pass.uses = append(pass.uses, uses)
		seen := witness{raw: sketch.raw, quantum: func(at dsp.Frames, stage int, gainsDB []float64) {
			uses.quantum(at, stage, gainsDB)
			sketch.quantum(at, stage, gainsDB)
		}}
		share := 0.5 / float64(len(parts))
		err = b.run(p.Cut, p.FitDB, p.Chain, p.Facts, seen, share*float64(i), share*float64(i+1), func(y []float64) {
			s.write(y)
			sketch.chained(y)
		})
		if err == nil {
			err = s.flush()
		}
		if err != nil {
			pass.close()
			return nil, err
		}
		drawn.Parts = append(drawn.Parts, sketch.part())
	}
	if pass.source, err = drawn.Encode(); err != nil {
		pass.close()
		return nil, err
	}
	b.pass = pass
	return pass, nil
}

// spool is samples on disk: raw float64, so that what is read is what was written.
type spool struct {
	file   *os.File
	buf    []byte
	frames dsp.Frames
	err    error
}

func newSpool(path string) (*spool, error) {
	f, err := os.Create(path)
	if err != nil {
		return nil, scratchError(err)
	}
	return &spool{file: f, buf: make([]byte, 0, 1<<16)}, nil
}

func (s *spool) write(x []float64) {
	for _, v := range x {
		u := math.Float64bits(v)
		s.buf = append(s.buf, byte(u), byte(u>>8), byte(u>>16), byte(u>>24), byte(u>>32), byte(u>>40), byte(u>>48), byte(u>>56))
		if len(s.buf) == cap(s.buf) {
			s.put()
		}
	}
	s.frames += dsp.Frames(len(x))
}

func (s *spool) put() {
	if s.err == nil {
		_, s.err = s.file.Write(s.buf)
	}
	s.buf = s.buf[:0]
}

func (s *spool) flush() error {
	s.put()
	if s.err != nil {
		return scratchError(s.err)
	}
	return nil
}

// scratchError is the error of a file that could not be written: the disk's,
// unless it says otherwise itself.
func scratchError(err error) error {
	if pipeline.KindOf(err) != pipeline.Infra {
		return err
	}
	return pipeline.Errorf(pipeline.Infra, "scratch", "%w: make room on the disk that holds the scratch folder", err)
}

// read fills x with the samples from a frame on; frames outside are zero.
func (s *spool) read(x []float64, from dsp.Frames) error {
	clear(x)
	skip := max(0, -from)
	n := min(dsp.Frames(len(x)), s.frames-from) - skip
	if n <= 0 {
		return nil
	}
	raw := make([]byte, 8*n)
	if _, err := s.file.ReadAt(raw, int64(8*(from+skip))); err != nil {
		return pipeline.Errorf(pipeline.Infra, "scratch", "%w", err)
	}
	for i := range x[skip : skip+n] {
		b := raw[8*i:]
		x[int(skip)+i] = math.Float64frombits(uint64(b[0]) | uint64(b[1])<<8 | uint64(b[2])<<16 | uint64(b[3])<<24 |
			uint64(b[4])<<32 | uint64(b[5])<<40 | uint64(b[6])<<48 | uint64(b[7])<<56)
	}
	return nil
}

func (s *spool) remove() {
	s.file.Close()
	os.Remove(s.file.Name())
}
