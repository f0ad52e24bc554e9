package faults

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/codec"
)

// A House is a folder with the demo's narrators and one title of short
// chapters, each a few seconds out of the demo's recordings.
type House struct {
	Root   string // folder
	Title  string // the title's folder
	Slug   string
	Files  []string // of the chapters, in order
	Blobs  []pipeline.Digest
	limits string
}

// Material is the demo's recordings of one narrator and day, decoded.
type Material struct {
	narrators string // folder
	rateHz    int
	takes     [][]float64
}

// NewMaterial decodes the demo's recordings in a checkout.
func NewMaterial(checkout string) (*Material, error) {
	demo := filepath.Join(checkout, "testdata", "house")
	m := &Material{narrators: filepath.Join(demo, "narrators")}
	for _, name := range []string{"01-low-water.flac", "02-the-weigh-house.flac", "06-the-mill-race.flac"} {
		take, rateHz, err := decode(filepath.Join(demo, "titles", "eleven-tide-gates", name))
		if err != nil {
			return nil, err
		}
		m.rateHz = rateHz
		m.takes = append(m.takes, take)
	}
	return m, nil
}

func decode(path string) (samples []float64, rateHz int, err error) {
	r, err := codec.Open(path)
	if err != nil {
		return nil, 0, err
	}
	defer r.Close()
	block := make([]float64, 4096)
	for {
		n, err := r.Read([][]float64{block})
		samples = append(samples, block[:n]...)
		if errors.Is(err, io.EOF) {
			return samples, r.Info().RateHz, nil
		}
		if err != nil {
			return nil, 0, err
		}
	}
}

// Seconds of a chapter: a few hundred milliseconds of work, and about a second.
const (
	shortS = 6.0
	longS  = 15.0
)

// houseText: chapters are far shorter than a book's, and nothing is judged.
const (
	houseText = "house: proof\nlevel: {pool_min_s: 2}\nfit: {min_speech_s: 2}\njob: {memory_mib: 256}\n"
	specText  = `spec: short
source: common practice, for proofs
sound:
  level: {measure: rms-plain, window_dbfs: [-23, -18], aim_dbfs: -20}
  peak:  {max_dbtp: -3}
  edges: {head_s: [0.2, 1.0], head_aim_s: 0.3, tail_s: [0.2, 5.0], tail_aim_s: 0.5}
  files: [{format: flac, rate_hz: 44100, channels: 1, bits: 24}]
limits: {%s}
packaging: {name: "{number} {chapter}"}
`
	lenient = "max_minutes: 120"
)

// House makes a house of so many chapters of so many seconds in a new folder.
// Titles of other seeds are other recordings.
func (m *Material) House(dir, slug string, chapters int, seconds float64, seed uint64) (*House, error) {
	h := &House{Root: dir, Title: filepath.Join(dir, "titles", slug), Slug: slug, limits: lenient}
	if err := os.CopyFS(filepath.Join(dir, "narrators"), os.DirFS(m.narrators)); err != nil {
		return nil, err
	}
	if err := os.MkdirAll(h.Title, 0o755); err != nil {
		return nil, err
	}
	for i := range chapters {
		h.Files = append(h.Files, filepath.Join(h.Title, fmt.Sprintf("%02d.wav", i+1)))
		if err := m.cut(h.Files[i], i, seconds, seed); err != nil {
			return nil, err
		}
		blob, err := digestFile(h.Files[i])
		if err != nil {
			return nil, err
		}
		h.Blobs = append(h.Blobs, blob)
	}
	return h, h.write()
}

// write writes the house's texts.
func (h *House) write() error {
	var title strings.Builder
	fmt.Fprintf(&title, "title: Night of %s\nnarrator: ines-marlow\nsetup: cupboard\nspecs: [short]\nchapters:\n", h.Slug)
	for i, f := range h.Files {
		fmt.Fprintf(&title, "  - {chapter: Chapter %d, file: %s, session: monday}\n", i+1, filepath.Base(f))
	}
	for path, text := range map[string]string{
		filepath.Join(h.Root, "house.yaml"):          houseText,
		filepath.Join(h.Root, "specs", "short.yaml"): fmt.Sprintf(specText, h.limits),
		filepath.Join(h.Title, "title.yaml"):         title.String(),
	} {
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			return err
		}
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			return err
		}
	}
	return nil
}

// Judge sets another limit: another run of the title, with the same results.
func (h *House) Judge(maxMinutes int) error {
	h.limits = fmt.Sprintf("max_minutes: %d", maxMinutes)
	return h.write()
}

// cut writes one chapter: a span that no other chapter of the title has.
func (m *Material) cut(path string, chapter int, seconds float64, seed uint64) error {
	take := m.takes[chapter%len(m.takes)]
	length := int(seconds * float64(m.rateHz))
	room := len(take) - length
	const step = 4999 // frames; coprime to any room that is no multiple of it
	from := (chapter/len(m.takes)*step + int(seed%100_000)*37) % room
	w, err := codec.CreateWAV(path, m.rateHz, 1, 24, false)
	if err != nil {
		return err
	}
	return errors.Join(w.Write([][]float64{take[from : from+length]}), w.Close())
}

// Forge puts a file in a chapter's place whose header claims what is not
// there: 69 bytes that say they are nearly 4 GiB of audio.
func (h *House) Forge(chapter int) error {
	const header = "RIFF\xf0\xff\xff\xffWAVE" +
		"fmt \x10\x00\x00\x00\x01\x00\x02\x00\x00\xee\x02\x00\x00\x70\x17\x00\x08\x00\x20\x00" +
		"data\xc4\xff\xff\xff"
	if err := os.WriteFile(h.Files[chapter], []byte(header+strings.Repeat("\x7f", 69-len(header))), 0o644); err != nil {
		return err
	}
	var err error
	h.Blobs[chapter], err = digestFile(h.Files[chapter])
	return err
}

func digestFile(path string) (pipeline.Digest, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	d, _, err := pipeline.DigestReader(f)
	return d, err
}
