package codec

import (
	"encoding/binary"
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

const (
	maxCues  = 2000 // as many as a title has chapters
	cueBytes = 24   // of one cue point
)

// readCues reads a WAV's cue points with their labels, in the order of time
// (Multimedia Programming Interface and Data Specifications 1.0, 1991: the
// chunk "cue ", and "labl", "note" and "ltxt" in a LIST of type "adtl"). Of
// points at one place the first with a label stays, and what lies beyond the
// end is left out with a note.
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
	return slices.CompactFunc(cues, func(a, b pipeline.Cue) bool { return a.At == b.At && (a.Label != "" || b.Label == "") }), notes, nil
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
	for _, l := range lists {
		if l.size < 4 || l.size > maxCues*(8+cueBytes+maxTagRunes) {
			continue
		}
		b := make([]byte, l.size)
		if err := readAt(f, b, l.off); err != nil {
			return nil, err
		}
		if string(b[:4]) != "adtl" {
			continue
		}
		for b = b[4:]; len(b) >= 8; {
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

// foreign is a text that ends at its first zero, in UTF-8 or else in ISO 8859-1.
func foreign(b []byte) string {
	text, _, _ := strings.Cut(string(b), "\x00")
	if utf8.ValidString(text) {
		return oneLine(text)
	}
	runes := make([]rune, 0, len(text))
	for _, c := range []byte(text) {
		runes = append(runes, rune(c))
	}
	return oneLine(string(runes))
}
