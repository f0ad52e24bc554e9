// Package series keeps what pictures of a chapter are drawn from: levels and
// gains on a 10 ms grid and spectra, packed into one blob for what came in and
// one for each file that goes out. Reports and pages read nothing else. A
// blob's bytes are in no key: another compressor may write others.
package series

import (
	"bytes"
	"encoding/binary"
	"encoding/json"

	"chapterhouse/pipeline"
)

// Roles of the blobs among a file's outputs.
const (
	SourceRole = "source"
	FileRole   = "series"
)

// Source is a chapter before and after its chains: the same for every spec's file of it.
type Source struct{ Parts []Part }

// Part is one part of a chapter.
type Part struct {
	Source pipeline.Digest
	StartS float64           // the cut's first instant, seconds into the source
	Wave   Trace             // largest magnitude of each 10 ms, dBFS, as it came
	Stages []Stage           // those that move gain, in the chain's order
	Before pipeline.Spectrum // while speaking, as it came
	After  pipeline.Spectrum // while speaking, after fit and chain
}

// Stage is what one stage did over a part.
type Stage struct {
	Name string
	Gain Trace // dB, negative when turning down
}

// File is a file as it is delivered.
type File struct {
	Wave     Trace             // largest magnitude of each 10 ms, dBFS
	Limiter  Trace             // gain, dB
	Spectrum pipeline.Spectrum // while speaking
	Bodies   []Body
}

// Body is where a part's recording stands in a file, seconds.
type Body struct {
	Source  pipeline.Digest `json:"source"`
	FileS   float64         `json:"file_s"`
	SourceS float64         `json:"source_s"`
	LengthS float64         `json:"length_s"`
}

// magic begins every series; its digit rises when the form changes.
const magic = "series 1\n"

// maxHead bounds the JSON in front of the traces.
const maxHead = 1 << 20

type sourceHead struct {
	Parts []partHead `json:"parts"`
}

type partHead struct {
	Source pipeline.Digest   `json:"source"`
	StartS float64           `json:"start_s"`
	Wave   head              `json:"wave"`
	Stages []stageHead       `json:"stages,omitempty"`
	Before pipeline.Spectrum `json:"before,omitempty"`
	After  pipeline.Spectrum `json:"after,omitempty"`
}

type stageHead struct {
	Name string `json:"name"`
	Gain head   `json:"gain"`
}

type fileHead struct {
	Wave     head              `json:"wave"`
	Limiter  head              `json:"limiter"`
	Spectrum pipeline.Spectrum `json:"spectrum,omitempty"`
	Bodies   []Body            `json:"bodies,omitempty"`
}

// Encode packs s.
func (s Source) Encode() ([]byte, error) {
	h := sourceHead{Parts: []partHead{}}
	var traces []Trace
	for _, p := range s.Parts {
		ph := partHead{Source: p.Source, StartS: p.StartS, Wave: p.Wave.head(), Before: p.Before, After: p.After}
		traces = append(traces, p.Wave)
		for _, st := range p.Stages {
			ph.Stages = append(ph.Stages, stageHead{st.Name, st.Gain.head()})
			traces = append(traces, st.Gain)
		}
		h.Parts = append(h.Parts, ph)
	}
	return pack(h, traces)
}

// DecodeSource unpacks what Source.Encode packed. Errors are of kind Missing.
func DecodeSource(data []byte) (Source, error) {
	var h sourceHead
	rest, err := unpack(data, &h)
	if err != nil {
		return Source{}, err
	}
	var s Source
	for _, ph := range h.Parts {
		p := Part{Source: ph.Source, StartS: ph.StartS, Before: ph.Before, After: ph.After}
		if p.Wave, err = ph.Wave.take(&rest); err != nil {
			return Source{}, damaged(err)
		}
		for _, sh := range ph.Stages {
			st := Stage{Name: sh.Name}
			if st.Gain, err = sh.Gain.take(&rest); err != nil {
				return Source{}, damaged(err)
			}
			p.Stages = append(p.Stages, st)
		}
		s.Parts = append(s.Parts, p)
	}
	return s, nil
}

// Encode packs f.
func (f File) Encode() ([]byte, error) {
	return pack(fileHead{f.Wave.head(), f.Limiter.head(), f.Spectrum, f.Bodies}, []Trace{f.Wave, f.Limiter})
}

// DecodeFile unpacks what File.Encode packed. Errors are of kind Missing.
func DecodeFile(data []byte) (File, error) {
	var h fileHead
	rest, err := unpack(data, &h)
	if err != nil {
		return File{}, err
	}
	f := File{Spectrum: h.Spectrum, Bodies: h.Bodies}
	if f.Wave, err = h.Wave.take(&rest); err != nil {
		return File{}, damaged(err)
	}
	if f.Limiter, err = h.Limiter.take(&rest); err != nil {
		return File{}, damaged(err)
	}
	return f, nil
}

// pack writes magic, the head's length and text, and the traces.
func pack(h any, traces []Trace) ([]byte, error) {
	text, err := json.Marshal(h)
	if err != nil {
		return nil, pipeline.Errorf(pipeline.Bug, "series", "%w", err)
	}
	out := binary.AppendUvarint([]byte(magic), uint64(len(text)))
	out = append(out, text...)
	for _, t := range traces {
		out = append(out, t.packed...)
	}
	return out, nil
}

// unpack reads a head and returns the traces behind it.
func unpack(data []byte, h any) (rest []byte, err error) {
	rest, ok := bytes.CutPrefix(data, []byte(magic))
	if !ok {
		return nil, pipeline.Errorf(pipeline.Missing, "series", "it is none that this build reads")
	}
	n, used := binary.Uvarint(rest)
	if used <= 0 || n > maxHead || n > uint64(len(rest)-used) {
		return nil, pipeline.Errorf(pipeline.Missing, "series", "its head is cut off")
	}
	if err := json.Unmarshal(rest[used:used+int(n)], h); err != nil {
		return nil, damaged(err)
	}
	return rest[used+int(n):], nil
}

func damaged(err error) error { return pipeline.Errorf(pipeline.Missing, "series", "%w", err) }
