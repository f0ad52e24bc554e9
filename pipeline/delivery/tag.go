package delivery

import (
	"bufio"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"hash"
	"io"
	"slices"
	"strings"

	"chapterhouse/pipeline"
)

// Tags is what a file says of itself, in the words of its format: ID3v2.3 in an
// MP3, Vorbis comments in a FLAC. Empty fields are left out.
type Tags struct {
	Title    string `json:"title"`              // of the chapter
	Album    string `json:"album"`              // the book
	Author   string `json:"author,omitempty"`   // who wrote it
	Reader   string `json:"reader,omitempty"`   // who reads it, several with "; " between
	Track    int    `json:"track"`              // from 1, in the title's order, whatever is missing
	Tracks   int    `json:"tracks"`             // of the title
	Language string `json:"language,omitempty"` // ISO 639-2, three letters
	Year     int    `json:"year,omitempty"`
}

// tagsOf are the tags of a chapter's files.
func tagsOf(o pipeline.Outcome, i int) Tags {
	ch := o.Chapters[i]
	return Tags{
		Title: ch.Name, Album: o.Title, Author: o.Author, Reader: strings.Join(readers(o, ch), "; "),
		Track: i + 1, Tracks: len(o.Chapters), Language: o.Language, Year: o.Year,
	}
}

// readers are those who read a chapter, as people know them.
func readers(o pipeline.Outcome, ch pipeline.ChapterOutcome) (all []string) {
	for _, p := range ch.Parts {
		name := o.Narrators[p.Voice.Narrator]
		if name == "" {
			name = p.Voice.Narrator
		}
		if name != "" && !slices.Contains(all, name) {
			all = append(all, name)
		}
	}
	return all
}

// tagged tells whether a format's files take tags. A WAV's audio is spread over
// chunks and no reader of audiobooks asks for its texts.
func tagged(f pipeline.Format) bool { return f == pipeline.MP3 || f == pipeline.FLAC }

// A copied file is what was written of it.
type copied struct {
	from  pipeline.Digest // of what was read
	whole pipeline.Digest // of what was written
	audio pipeline.Digest // of what was written behind the tag
	bytes int64           // in all
	tag   int64           // of them in front of the audio
}

// copyTagged copies a verified file with tags in front of its audio; nil tags
// are none. The audio's bytes are not touched.
func copyTagged(to io.Writer, from io.Reader, f pipeline.Format, tags *Tags) (c copied, err error) {
	read, whole, audio := sha256.New(), sha256.New(), sha256.New()
	r := bufio.NewReaderSize(io.TeeReader(from, read), 1<<16)
	front := &counted{to: io.MultiWriter(to, whole)}
	if tags != nil {
		switch f {
		case pipeline.MP3:
			_, err = front.Write(id3(*tags))
		case pipeline.FLAC:
			err = comment(front, r, *tags)
		}
		if err != nil {
			return c, err
		}
	}
	c.tag = front.n
	back := &counted{to: io.MultiWriter(to, whole, audio)}
	if _, err := io.Copy(back, r); err != nil {
		return c, err
	}
	c.from, c.whole, c.audio, c.bytes = digest(read), digest(whole), digest(audio), c.tag+back.n
	return c, nil
}

func digest(h hash.Hash) pipeline.Digest { return pipeline.Digest(hex.EncodeToString(h.Sum(nil))) }

// counted counts what is written to it.
type counted struct {
	to io.Writer
	n  int64
}

func (c *counted) Write(p []byte) (int, error) {
	n, err := c.to.Write(p)
	c.n += int64(n)
	return n, err
}

// place is a track's number as "3/12".
func (t Tags) place() string { return fmt.Sprintf("%d/%d", t.Track, t.Tracks) }
