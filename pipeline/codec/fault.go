package codec

import (
	"errors"
	"fmt"
	"io"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// What a user can do about a file. Each ends a sentence.
const (
	again   = "copy or export it again"
	ownRate = "ask for WAV or FLAC at the recording's own rate, exported once, not converted from a lossy file"
	// sameSamples is for files whose samples need not be recorded again.
	sameSamples = "ask for WAV or FLAC at the same rate, exported from it; nothing is lost by that"
)

// A fault is a sentence about a file, without the file's name.
type fault struct{ text string }

func (f *fault) Error() string { return f.text }

func faultf(format string, args ...any) error {
	return &fault{fmt.Sprintf(format, args...)}
}

// named puts a file's name to an error. A fault is the file's own and of kind
// Source; anything else is the disk's or the machine's. io.EOF passes.
func named(name string, err error) error {
	if err == nil || err == io.EOF {
		return err
	}
	var e *pipeline.Error
	if errors.As(err, &e) {
		return err
	}
	kind := pipeline.Infra
	var f *fault
	if errors.As(err, &f) {
		kind = pipeline.Source
	}
	return &pipeline.Error{Op: name, Kind: kind, Err: err}
}

// truncated is the sentence for a file that ends too early.
func truncated(have, claimed dsp.Frames, rateHz int) error {
	if hours := claimed.Seconds(rateHz) / 3600; hours > 1000 {
		return faultf("ends at %.2f s of the more than 1000 hours its header claims: "+again, have.Seconds(rateHz))
	}
	return faultf("ends at %.2f s of the %.2f s its header claims: "+again,
		have.Seconds(rateHz), claimed.Seconds(rateHz))
}

// damaged is the sentence for bytes that can't be decoded.
func damaged(at dsp.Frames, rateHz int) error {
	return faultf("is damaged at %.2f s: "+again, at.Seconds(rateHz))
}

// noAudio is the sentence for a header with nothing behind it.
func noAudio() error { return faultf("has no audio in it: " + again) }

// readAt fills b from off. Bytes that were there when the file was opened and
// are gone now are nobody's header's fault: the error is the disk's.
func readAt(f io.ReaderAt, b []byte, off int64) error {
	n, err := f.ReadAt(b, off)
	if n == len(b) {
		return nil
	}
	if err == io.EOF {
		return fmt.Errorf("the file got shorter while it was read: %w", io.ErrUnexpectedEOF)
	}
	return err
}
