package series

import (
	"bytes"
	"compress/flate"
	"encoding/binary"
	"fmt"
	"io"
	"math"

	"chapterhouse/pipeline"
)

// StepS is the grid of every trace, seconds.
const StepS = 0.01

// Steps of values in a trace, dB.
const (
	WaveStepDB = 0.5
	GainStepDB = 0.1
)

// maxPoints bounds a trace: a day and a night.
const maxPoints = 24 * 3600 * 100

// silent stands for −Inf among the steps of a trace.
const silent = -1 << 15

// A Trace is a level or gain over time, one value in each 10 ms, packed. The
// zero Trace has no values.
type Trace struct {
	stepDB float64
	n      int
	packed []byte
}

// Len is the number of values.
func (t Trace) Len() int { return t.n }

// Values are the trace's values in dB; silence is −Inf.
func (t Trace) Values() ([]float32, error) {
	if t.n == 0 {
		return nil, nil
	}
	from := flate.NewReader(bytes.NewReader(t.packed))
	defer from.Close()
	deltas := byteReader{from: from}
	out := make([]float32, 0, min(t.n, 1<<16))
	at := int64(0)
	for range t.n {
		d, err := binary.ReadVarint(&deltas)
		if err != nil {
			return nil, pipeline.Errorf(pipeline.Missing, "series", "a trace ends after %d of %d values: %w", len(out), t.n, err)
		}
		if at += d; at < silent || at > -silent {
			return nil, pipeline.Errorf(pipeline.Missing, "series", "a trace leaves its range at value %d", len(out))
		}
		if at == silent {
			out = append(out, float32(math.Inf(-1)))
		} else {
			out = append(out, float32(float64(at)*t.stepDB))
		}
	}
	return out, nil
}

// byteReader reads single bytes; what it has read ahead is its own.
type byteReader struct {
	from io.Reader
	buf  [512]byte
	have []byte
}

func (r *byteReader) ReadByte() (byte, error) {
	for len(r.have) == 0 {
		n, err := r.from.Read(r.buf[:])
		r.have = r.buf[:n]
		if n == 0 && err != nil {
			return 0, err
		}
	}
	b := r.have[0]
	r.have = r.have[1:]
	return b, nil
}

// A Pen draws a trace value by value in memory that hardly grows.
type Pen struct {
	stepDB float64
	n      int
	last   int64
	out    bytes.Buffer
	to     *flate.Writer
	buf    []byte
}

// NewPen begins a trace with values in steps of stepDB, WaveStepDB or GainStepDB.
func NewPen(stepDB float64) *Pen {
	p := &Pen{stepDB: stepDB, buf: make([]byte, 0, 4096)}
	p.to, _ = flate.NewWriter(&p.out, flate.DefaultCompression) // fails for other levels only
	return p
}

// Add draws the next value, dB. Below the range, and for NaN, it is silence.
func (p *Pen) Add(db float64) {
	at := int64(silent)
	if q := math.Round(db / p.stepDB); q > silent {
		at = int64(min(q, -silent))
	}
	p.buf = binary.AppendVarint(p.buf, at-p.last)
	p.last = at
	p.n++
	if len(p.buf) > cap(p.buf)-binary.MaxVarintLen64 {
		p.flush()
	}
}

func (p *Pen) flush() {
	_, _ = p.to.Write(p.buf) // into memory
	p.buf = p.buf[:0]
}

// Trace ends the drawing.
func (p *Pen) Trace() Trace {
	p.flush()
	_ = p.to.Close()
	return Trace{stepDB: p.stepDB, n: p.n, packed: p.out.Bytes()}
}

// TraceOf is a trace of given values.
func TraceOf(stepDB float64, values []float32) Trace {
	p := NewPen(stepDB)
	for _, v := range values {
		p.Add(float64(v))
	}
	return p.Trace()
}

// head is what stands of a trace in a series' head.
type head struct {
	StepDB float64 `json:"step_db"`
	N      int     `json:"n"`
	Bytes  int     `json:"bytes"`
}

func (t Trace) head() head { return head{StepDB: t.stepDB, N: t.n, Bytes: len(t.packed)} }

// take cuts a trace of a head from the front of the packed traces.
func (h head) take(rest *[]byte) (Trace, error) {
	switch {
	case h.N < 0 || h.N > maxPoints:
		return Trace{}, fmt.Errorf("a trace of %d values", h.N)
	case h.Bytes < 0 || h.Bytes > len(*rest):
		return Trace{}, fmt.Errorf("a trace of %d bytes where %d are left", h.Bytes, len(*rest))
	case h.StepDB != WaveStepDB && h.StepDB != GainStepDB && h.N > 0:
		return Trace{}, fmt.Errorf("a trace in steps of %g dB", h.StepDB)
	}
	t := Trace{stepDB: h.StepDB, n: h.N, packed: (*rest)[:h.Bytes:h.Bytes]}
	*rest = (*rest)[h.Bytes:]
	return t, nil
}
