package codec

import (
	"encoding/binary"
	"math"
	"slices"

	"chapterhouse/pipeline"
)

// Mark has the file end with cue points and their labels, in the order of time,
// in the form that readCues reads. It is called before Close; a second call
// takes the place of the first. Points that a cue chunk can't name, from frame
// 2^32 on, and those beyond the first 2000 are left out.
func (w *WAVWriter) Mark(cues []pipeline.Cue) {
	cues = slices.DeleteFunc(slices.Clone(cues), func(c pipeline.Cue) bool { return c.At < 0 || c.At > math.MaxUint32 })
	slices.SortStableFunc(cues, func(a, b pipeline.Cue) int { return int(a.At - b.At) })
	cues = cues[:min(len(cues), maxCues)]
	w.after = nil
	if len(cues) == 0 {
		return
	}
	le := binary.LittleEndian
	points := le.AppendUint32(nil, uint32(len(cues)))
	labels := []byte("adtl")
	for i, c := range cues {
		id := uint32(i + 1)
		points = le.AppendUint32(points, id)
		points = le.AppendUint32(points, uint32(c.At)) // in the order that is played: the recording's own
		points = append(points, "data"...)
		points = le.AppendUint32(points, 0) // no wave list: chunk and block begin with the samples
		points = le.AppendUint32(points, 0)
		points = le.AppendUint32(points, uint32(c.At))
		if text := oneLine(c.Label); text != "" {
			labels = chunk(labels, "labl", append(le.AppendUint32(nil, id), text+"\x00"...))
		}
	}
	w.after = chunk(nil, "cue ", points)
	if len(labels) > len("adtl") {
		w.after = chunk(w.after, "LIST", labels)
	}
}

// chunk appends a RIFF chunk to b: name, size, body, and a byte where the body is odd.
func chunk(b []byte, name string, body []byte) []byte {
	b = append(b, name...)
	b = binary.LittleEndian.AppendUint32(b, uint32(len(body)))
	b = append(b, body...)
	if len(body)%2 == 1 {
		b = append(b, 0)
	}
	return b
}
