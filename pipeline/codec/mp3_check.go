package codec

import (
	"os"
	"path/filepath"
	"strings"

	"chapterhouse/dsp"
)

// MP3Info is what a walk over every frame of an MP3 file found.
type MP3Info struct {
	RateHz   int        `json:"rate_hz"`
	Channels int        `json:"channels"`
	Mode     string     `json:"mode"` // mono, stereo, joint stereo, two channels
	Kbps     int        `json:"kbps"`
	MP3      int64      `json:"mp3_frames"` // without the Info frame
	Delay    int        `json:"delay"`      // samples that the encoder put before the first
	Padding  int        `json:"padding"`    // samples after the last
	Frames   dsp.Frames `json:"frames"`     // of the source: decoded, less delay and padding
	Encoder  string     `json:"encoder"`    // as the Info tag names it
}

// CheckCBR proves that a file is an MP3 of constant bit rate as a receiver
// expects it: every frame of one rate, bit rate and mode, nothing between or
// after the frames but ID3 tags, and an Info tag that counts frames, bytes,
// delay and padding rightly; of LAME's tag both checksums too. The error is
// of kind Source and one sentence.
func CheckCBR(path string) (MP3Info, error) {
	info, err := checkCBR(path)
	return info, named(filepath.Base(path), err)
}

func checkCBR(path string) (MP3Info, error) {
	f, err := os.Open(path)
	if err != nil {
		return MP3Info{}, err
	}
	defer f.Close()
	st, err := f.Stat()
	if err != nil {
		return MP3Info{}, err
	}
	s, err := scanMP3(f, st.Size())
	if err != nil {
		return MP3Info{}, err
	}
	_, n := s.trim()
	info := MP3Info{
		RateHz: s.first.rateHz, Channels: s.first.channels(), Mode: s.first.mode.String(), Kbps: s.first.kbps,
		MP3: s.frames, Delay: s.tag.delay, Padding: s.tag.padding, Frames: n, Encoder: s.tag.encoder,
	}
	return info, s.constant()
}

// constant is the first thing that keeps a file from being plain CBR.
func (s mp3Scan) constant() error {
	t := s.tag
	const encode = "encode it again"
	switch {
	case s.uneven != nil:
		return s.uneven
	case s.rest > 0:
		return faultf("has %d bytes after its last frame at %.2f s that are no ID3 tag: "+encode, s.rest, s.decoded().Seconds(s.first.rateHz))
	case !s.hasTag || t.encoder == "":
		return faultf("has no Info tag with delay and padding in its first frame: " + encode + ", into a file and not a pipe")
	case t.vbr:
		return faultf("has a first frame that says variable bit rate: " + encode + " at a constant rate")
	case t.frames != s.frames:
		return faultf("has %d frames where its Info tag counts %d: "+encode, s.frames, t.frames)
	case t.bytes != s.end-s.audio+int64(s.tagBytes):
		return faultf("has %d bytes where its Info tag counts %d: "+encode, s.end-s.audio+int64(s.tagBytes), t.bytes)
	case t.padding < mp3DecoderDelay && t.padding > 0 || t.delay == 0:
		return faultf("has an Info tag whose delay (%d) and padding (%d) can't be: "+encode, t.delay, t.padding)
	case strings.HasPrefix(t.encoder, "LAME") && t.tagCRC != t.gotCRC:
		return faultf("has an Info tag with a wrong checksum: " + encode)
	case strings.HasPrefix(t.encoder, "LAME") && t.musicCRC != s.musicCRC:
		return faultf("has frames that are not those its encoder wrote (their checksum is wrong): " + encode)
	}
	return nil
}
