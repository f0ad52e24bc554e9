package codec

import (
	"bytes"
	"io"
	"unicode/utf8"
)

// kind is what a file is by its first bytes.
type kind string

const (
	kindWAV     kind = "WAV"
	kindFLAC    kind = "FLAC"
	kindMP3     kind = "MP3"
	kindText    kind = "text"
	kindUnknown kind = ""
)

// lossless tells whether a kind may hold the samples as they were recorded.
func (k kind) lossless() bool {
	switch k {
	case "AIFF", "CAF", "Wave64", "WavPack", "APE", "AU", "big-endian WAV", "FLAC in Ogg":
		return true
	}
	return false
}

// holdsNoAudio tells whether a kind is nothing that was recorded.
func (k kind) holdsNoAudio() bool {
	return k == "a ZIP archive" || k == "a RAR archive" || k == "a PDF document" || k == "a picture"
}

// refusal is the sentence for a kind that isn't taken.
func (k kind) refusal(lim limits) error {
	if lim.lossy { // the caller takes whatever can be decoded
		switch k {
		case kindUnknown:
			return faultf("isn't WAV, FLAC or MP3: name a file of one of these")
		default:
			return faultf("is %s, and WAV, FLAC and MP3 can be read: name a file of one of these", k)
		}
	}
	switch k {
	case kindUnknown:
		return faultf("isn't audio of a kind that is known here: " + ownRate)
	case kindText:
		return faultf("is text, not audio: " + ownRate)
	}
	switch {
	case k.holdsNoAudio():
		return faultf("is %s, not audio: "+ownRate, k)
	case k.lossless():
		return faultf("is %s, which is not read here: "+sameSamples, k)
	default:
		return faultf("is %s: "+ownRate, k)
	}
}

// signatures are the first bytes of formats; a "?" matches any byte.
var signatures = []struct {
	magic string
	kind  kind
}{
	{"RIFF????WAVE", kindWAV},
	{"RF64????WAVE", kindWAV},
	{"BW64????WAVE", kindWAV},
	{"fLaC", kindFLAC},
	{"RIFX????WAVE", "big-endian WAV"},
	{"RIFF????AVI ", "AVI video"},
	{"FORM????AIF", "AIFF"},
	{"OggS????????????????????????OpusHead", "Opus"},
	{"OggS????????????????????????\x01vorbis", "Ogg Vorbis"},
	{"OggS????????????????????????\x7fFLAC", "FLAC in Ogg"},
	{"OggS", "Ogg"},
	{"????ftypM4A", "M4A"},
	{"????ftypM4B", "M4A"},
	{"????ftypqt", "MOV video"},
	{"????ftyp3g", "3GP, as telephones record it"},
	{"????ftyp", "MP4 (M4A or video)"},
	{"#!AMR", "AMR, as telephones record it"},
	{"\x00\x00\x01\xba", "MPEG video"},
	{"caff", "CAF"},
	{"riff\x2e\x91\xcf\x11", "Wave64"},
	{"\x30\x26\xb2\x75\x8e\x66\xcf\x11", "WMA"},
	{"wvpk", "WavPack"},
	{"MAC ", "APE"},
	{".snd", "AU"},
	{"\x1a\x45\xdf\xa3", "Matroska"},
	{"FLV\x01", "FLV video"},
	{"PK\x03\x04", "a ZIP archive"},
	{"Rar!\x1a\x07", "a RAR archive"},
	{"\x89PNG\r\n\x1a\n", "a picture"},
	{"\xff\xd8\xff", "a picture"},
	{"%PDF", "a PDF document"},
}

// sniff tells what f is and where it starts after an ID3v2 tag.
func sniff(f io.ReaderAt, size int64) (k kind, start int64, err error) {
	if size == 0 {
		return "", 0, faultf("is empty: " + again)
	}
	start, err = id3v2End(f, size)
	if err != nil {
		return "", 0, err
	}
	head := make([]byte, min(4096, size-start))
	if err := readAt(f, head, start); err != nil {
		return "", 0, err
	}
	for _, s := range signatures {
		if matches(head, s.magic) {
			return s.kind, start, nil
		}
	}
	if len(head) >= 2 && head[0] == 0xFF && head[1]&0xF6 == 0xF0 { // ADTS: MPEG sync with layer 0
		return "AAC", start, nil
	}
	if h, ok := parseMP3Header(head); ok && mp3Follows(f, start, size, h) {
		return kindMP3, start, nil
	}
	if start > 0 && len(head) > 0 {
		return kindMP3, start, nil // an ID3 tag stands before little else; the frame walk says more
	}
	if isText(head) {
		return kindText, start, nil
	}
	if late, ok := mp3After(f, start, size, head); ok {
		return kindMP3, late, nil
	}
	return kindUnknown, start, nil
}

// mp3After finds the first MP3 frame behind zeros or remains of a tag, within head.
func mp3After(f io.ReaderAt, start, size int64, head []byte) (int64, bool) {
	for i := 1; i < len(head); i++ {
		if head[i] != 0xFF {
			continue
		}
		if h, ok := parseMP3Header(head[i:]); ok && mp3Follows(f, start+int64(i), size, h) {
			return start + int64(i), true
		}
	}
	return 0, false
}

func matches(head []byte, magic string) bool {
	if len(head) < len(magic) {
		return false
	}
	for i := range len(magic) {
		if magic[i] != '?' && magic[i] != head[i] {
			return false
		}
	}
	return true
}

// isText tells whether b is UTF-8 without control characters.
func isText(b []byte) bool {
	for len(b) > 0 {
		r, n := utf8.DecodeRune(b)
		if r == utf8.RuneError && n == 1 && len(b) >= utf8.UTFMax {
			return false
		}
		if r < ' ' && r != '\n' && r != '\r' && r != '\t' && r != '\f' {
			return false
		}
		b = b[n:]
	}
	return true
}

// id3v2End is the offset after an ID3v2 tag at the start of f, 0 without one.
func id3v2End(f io.ReaderAt, size int64) (int64, error) {
	if size < 10 {
		return 0, nil
	}
	var h [10]byte
	if err := readAt(f, h[:], 0); err != nil {
		return 0, err
	}
	if !bytes.Equal(h[:3], []byte("ID3")) || h[3] == 0xFF || (h[6]|h[7]|h[8]|h[9])&0x80 != 0 {
		return 0, nil
	}
	end := 10 + int64(h[6])<<21 + int64(h[7])<<14 + int64(h[8])<<7 + int64(h[9])
	if h[5]&0x10 != 0 {
		end += 10 // footer
	}
	return min(end, size), nil
}
