package codec

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"slices"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

const (
	maxCues      = 2000    // as many as a title has chapters
	cueBytes     = 24      // of one cue point
	maxAdtlBytes = 1 << 20 // of all lists of labels: two thousand of half a kilobyte
)

// readCues reads a WAV's cue points with their labels, in the order of time
// (Multimedia Programming Interface and Data Specifications 1.0, 1991: the
// chunk "cue ", and "labl", "note" and "ltxt" in a LIST of type "adtl"). Points
// at one place are one, with the first label there; that is noted, and so is what
// lies beyond the end and was left out.
func readCues(f io.ReaderAt, cue byteSpan, lists []byteSpan, frames dsp.Frames) (cues []pipeline.Cue, notes []string, err error) {
	if cue.size < 4 {
		return nil, nil, nil
	}
	b := make([]byte, min(cue.size, 4+maxCues*cueBytes))
	if err := readAt(f, b, cue.off); err != nil {
		return nil, nil, err
	}
	count := uint64(binary.LittleEndian.Uint32(b))
	labels, err := readLabels(f, lists)
	if err != nil {
		return nil, nil, err
	}
	beyond := 0
	points := b[4:]
	for n := uint64(0); n < count && len(points) >= cueBytes; n++ {
		id, chunk, at := binary.LittleEndian.Uint32(points), string(points[8:12]), binary.LittleEndian.Uint32(points[20:])
		points = points[cueBytes:]
		switch {
		case chunk != "data": // a list of silences and waves, which no recording is
		case dsp.Frames(at) >= frames:
			beyond++
		default:
			cues = append(cues, pipeline.Cue{At: dsp.Frames(at), Label: labels[id]})
		}
	}
	if beyond > 0 {
		notes = append(notes, fmt.Sprintf("Cue points beyond the end of the recording were left out: %d.", beyond))
	}
	if count > maxCues && cue.size > int64(len(b)) {
		notes = append(notes, fmt.Sprintf("The file has %d cue points; those after the first %d were left out.", count, maxCues))
	}
	slices.SortStableFunc(cues, func(a, b pipeline.Cue) int { return int(a.At - b.At) })
	merged := mergeCues(cues)
	if n := len(cues) - len(merged); n > 0 {
		notes = append(notes, fmt.Sprintf("Cue points at the place of another were taken for one with it: %d.", n))
	}
	return merged, notes, nil
}

// mergeCues makes one of the points at one place, with the first label there.
func mergeCues(cues []pipeline.Cue) (out []pipeline.Cue) {
	for _, c := range cues {
		last := len(out) - 1
		switch {
		case last < 0 || out[last].At != c.At:
			out = append(out, c)
		case out[last].Label == "":
			out[last].Label = c.Label
		}
	}
	return out
}

// readLabels reads what cue points are called: their label, else their note,
// else the text of the stretch that begins there.
func readLabels(f io.ReaderAt, lists []byteSpan) (map[uint32]string, error) {
	type text struct {
		rank int
		text string
	}
	best := map[uint32]text{}
	ranks := map[string]int{"labl": 3, "note": 2, "ltxt": 1}
	room := int64(maxAdtlBytes)
	for _, l := range lists {
		var kind [4]byte
		if l.size < int64(len(kind)) {
			continue
		}
		if err := readAt(f, kind[:], l.off); err != nil {
			return nil, err
		}
		if string(kind[:]) != "adtl" {
			continue
		}
		b := make([]byte, min(l.size-int64(len(kind)), room))
		room -= int64(len(b))
		if err := readAt(f, b, l.off+int64(len(kind))); err != nil {
			return nil, err
		}
		for len(b) >= 8 {
			id, n := string(b[:4]), uint64(binary.LittleEndian.Uint32(b[4:]))
			if n > uint64(len(b)-8) {
				break
			}
			body := b[8 : 8+n]
			b = b[min(uint64(len(b)), 8+n+n&1):]
			skip := 4
			if id == "ltxt" {
				skip = 20 // length, purpose, country, language, dialect, code page
			}
			if ranks[id] == 0 || len(body) < skip {
				continue
			}
			cue, said := binary.LittleEndian.Uint32(body), foreign(body[skip:])
			if said != "" && ranks[id] > best[cue].rank {
				best[cue] = text{ranks[id], said}
			}
		}
	}
	labels := map[uint32]string{}
	for id, t := range best {
		labels[id] = t.text
	}
	return labels, nil
}

// foreign is a text that ends at its first zero, in UTF-8 or else in Windows'
// code page 1252, which holds ISO 8859-1 and the dashes and quotes that labels have.
func foreign(b []byte) string {
	b, _, _ = bytes.Cut(b, []byte{0})
	b = b[:min(len(b), 4*maxTagRunes)]
	if utf8.Valid(b) {
		return oneLine(string(b))
	}
	text, err := charmap.Windows1252.NewDecoder().Bytes(b)
	if err != nil {
		return ""
	}
	return oneLine(string(text))
}
