package codec

import (
	"bytes"
	"encoding/binary"
	"io"
	"unicode/utf8"

	"chapterhouse/pipeline"
)

// Fields of a bext chunk (EBU Tech 3285 version 2): offsets and sizes in bytes.
const (
	bextDescription, bextDescriptionBytes = 0, 256
	bextOriginator, bextOriginatorBytes   = 256, 32
	bextReference, bextReferenceBytes     = 288, 32
	bextDate, bextDateBytes               = 320, 10
	bextTime, bextTimeBytes               = 330, 8
	bextTimeReference                     = 338
	bextVersion                           = 346
	bextBytes                             = 602 // before the coding history
	// latestReference bounds a time reference, in samples: a week at 192 kHz.
	// More is no time of day; whoever wrote it wrote something else there.
	latestReference = 7 * 24 * 3600 * 192000
)

// readBext reads what a recorder wrote down about the recording; nil where the
// file has no bext chunk, or one that says nothing. A chunk shorter than the
// standard's is read as far as it goes.
func readBext(f io.ReaderAt, c byteSpan) (*pipeline.Bext, error) {
	if c.size <= 0 {
		return nil, nil
	}
	b := make([]byte, bextBytes)
	if err := readAt(f, b[:min(c.size, bextBytes)], c.off); err != nil {
		return nil, err
	}
	field := func(at, n int) string {
		text, _, _ := bytes.Cut(b[at:at+n], []byte{0})
		return oneLine(latin1(text))
	}
	x := pipeline.Bext{
		Description:         field(bextDescription, bextDescriptionBytes),
		Originator:          field(bextOriginator, bextOriginatorBytes),
		OriginatorReference: field(bextReference, bextReferenceBytes),
		Date:                field(bextDate, bextDateBytes),
		Time:                field(bextTime, bextTimeBytes),
		Version:             int(binary.LittleEndian.Uint16(b[bextVersion:])),
	}
	if at := binary.LittleEndian.Uint64(b[bextTimeReference:]); at <= latestReference {
		x.TimeReference = int64(at)
	}
	if x == (pipeline.Bext{Version: x.Version}) {
		return nil, nil
	}
	return &x, nil
}

// latin1 reads text that is meant to be ASCII and often isn't: as UTF-8 where
// it is that, else one character a byte (ISO 8859-1).
func latin1(b []byte) string {
	if utf8.Valid(b) {
		return string(b)
	}
	runes := make([]rune, len(b))
	for i, c := range b {
		runes[i] = rune(c)
	}
	return string(runes)
}
