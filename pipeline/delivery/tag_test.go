package delivery_test

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/codec"
	"chapterhouse/pipeline/delivery"
	"chapterhouse/pipeline/store/memory"
)

func need(t *testing.T, program string) {
	t.Helper()
	if _, err := exec.LookPath(program); err != nil {
		if os.Getenv("CHAPTERHOUSE_REQUIRE") == "all" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
}

// encoded is two seconds of a tone as a file of a format.
func encoded(t *testing.T, f pipeline.Format) []byte {
	t.Helper()
	x := make([]float64, 2*44100)
	for i := range x {
		x[i] = 0.3 * math.Sin(float64(i)/20)
	}
	path := filepath.Join(t.TempDir(), "tone."+string(f))
	write := func(path string, f pipeline.Format) {
		var w interface {
			Write([][]float64) error
			Close() error
		}
		var err error
		if f == pipeline.FLAC {
			w, err = codec.CreateFLAC(path, 44100, 1, 24)
		} else {
			w, err = codec.CreateWAV(path, 44100, 1, 24, false)
		}
		if err == nil {
			err = w.Write([][]float64{x})
		}
		if err == nil {
			err = w.Close()
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if f == pipeline.MP3 {
		need(t, "lame")
		lame, err := codec.FindLame()
		write(path+".wav", pipeline.WAV)
		if err == nil {
			err = lame.Encode(t.Context(), path+".wav", path, codec.MP3Options{Kbps: 192, RateHz: 44100, Channels: 1})
		}
		if err != nil {
			t.Fatal(err)
		}
	} else {
		write(path, f)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// tagCases are titles whose tags other programs are to read.
var tagCases = []struct {
	what              string
	o                 pipeline.Outcome
	chapter, voice    string
	artist, performer string
}{
	{"plain", pipeline.Outcome{Title: "Two Rivers", Author: "A. Reed", Language: "eng", Year: 2026}, "Low Water", "ines", "A. Reed", "Ines Marlow"},
	{"beyond Latin", pipeline.Outcome{Title: "Две реки", Author: "Łukasz Ñandú", Language: "rus"}, "Глава “первая” 水", "ines", "Łukasz Ñandú", "Ines Marlow"},
	{"Latin-1", pipeline.Outcome{Title: "Über die Brücke"}, "Café – Ende", "ines", "Ines Marlow", "Ines Marlow"},
	{"nobody named", pipeline.Outcome{Title: "Two Rivers"}, "=x; y=z", "", "", ""},
	{"beyond two bytes", pipeline.Outcome{Title: "𝄞 and 😀"}, strings.Repeat("long ", 60), "ines", "Ines Marlow", "Ines Marlow"},
}

// tagDelivery delivers a chapter in a format, of many files.
func tagDelivery(t *testing.T, o pipeline.Outcome, chapter, voice string, format pipeline.Format, audio []byte, untagged bool) (delivery.Manifest, string) {
	t.Helper()
	s := memory.New()
	blob := pipeline.DigestOf(audio)
	if err := s.Put(t.Context(), blob, bytes.NewReader(audio)); err != nil {
		t.Fatal(err)
	}
	spec := pipeline.Spec{Spec: "own", Packaging: pipeline.Packaging{Name: "{number}", Untagged: untagged}}
	o.Narrators = map[string]string{"ines": "Ines Marlow"}
	for n := 1; n <= 12; n++ {
		o.Chapters = append(o.Chapters, pipeline.ChapterOutcome{
			Number: n, Name: chapter, Role: pipeline.RoleChapter, Parts: []pipeline.PartOutcome{{Part: pipeline.Part{Voice: pipeline.Voice{Narrator: voice}}}},
			Files: []pipeline.FileOutcome{{Spec: "own", Format: pipeline.FileFormat{Format: format}, Blob: blob, Verdict: pipeline.Ready}},
		})
	}
	dir := filepath.Join(t.TempDir(), "own")
	m, err := delivery.Write(t.Context(), s, o, spec, dir, "")
	if err != nil {
		t.Fatal(err)
	}
	return m, dir
}

// TestTagsReadBack: other programs read the tags, and the audio behind them is
// the verified file's, byte for byte and sample for sample.
func TestTagsReadBack(t *testing.T) {
	need(t, "ffprobe")
	for _, format := range []pipeline.Format{pipeline.FLAC, pipeline.MP3} {
		audio := encoded(t, format)
		for _, c := range tagCases {
			t.Run(string(format)+", "+c.what, func(t *testing.T) {
				m, dir := tagDelivery(t, c.o, c.chapter, c.voice, format, audio, false)
				f := m.Files[2]
				path := filepath.Join(dir, f.Name)
				out, err := exec.Command("ffprobe", "-v", "error", "-show_entries", "format_tags", "-of", "json", path).Output()
				var seen struct {
					Format struct{ Tags map[string]string }
				}
				if err != nil || json.Unmarshal(out, &seen) != nil {
					t.Fatalf("ffprobe: %v, %s", err, out)
				}
				tags := map[string]string{}
				for k, v := range seen.Format.Tags {
					tags[strings.ToLower(k)] = v
				}
				reader, track := "composer", "3/12"
				if format == pipeline.FLAC {
					reader, track = "performer", "3"
				}
				for name, want := range map[string]string{"title": c.chapter, "album": c.o.Title, "artist": c.artist, reader: c.performer, "track": track, "language": c.o.Language} {
					if tags[name] != want {
						t.Errorf("%s is %q, want %q", name, tags[name], want)
					}
				}
				whole, err := os.ReadFile(path)
				if err != nil {
					t.Fatal(err)
				}
				if pipeline.DigestOf(whole) != f.SHA256 || int64(len(whole)) != f.Bytes || pipeline.DigestOf(whole[f.TagBytes:]) != f.AudioSHA256 {
					t.Errorf("%+v does not tell of %d bytes", f, len(whole))
				}
				if rest := whole[f.TagBytes:]; !bytes.Equal(rest, audio[len(audio)-len(rest):]) || format == pipeline.MP3 && f.AudioSHA256 != f.Verified {
					t.Error("the audio behind the tag is another")
				}
				if !slices.Equal(decoded(t, path), decodedBytes(t, format, audio)) {
					t.Error("it decodes to other samples")
				}
			})
		}
	}
}

func decodedBytes(t *testing.T, f pipeline.Format, audio []byte) []float64 {
	t.Helper()
	path := filepath.Join(t.TempDir(), "a."+string(f))
	if err := os.WriteFile(path, audio, 0o644); err != nil {
		t.Fatal(err)
	}
	return decoded(t, path)
}

func decoded(t *testing.T, path string) []float64 {
	t.Helper()
	r, err := codec.OpenMP3(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var all []float64
	buf := [][]float64{make([]float64, 4096)}
	for {
		n, err := r.Read(buf)
		all = append(all, buf[0][:n]...)
		if err != nil {
			return all
		}
	}
}

// TestCommentsByTheirOwnProgram: the FLAC tools take the comments and the file.
func TestCommentsByTheirOwnProgram(t *testing.T) {
	need(t, "metaflac")
	need(t, "flac")
	audio := encoded(t, pipeline.FLAC)
	for _, c := range tagCases {
		m, dir := tagDelivery(t, c.o, c.chapter, c.voice, pipeline.FLAC, audio, false)
		path := filepath.Join(dir, m.Files[0].Name)
		out, err := exec.Command("metaflac", "--no-utf8-convert", "--export-tags-to=-", path).Output()
		if err != nil || !strings.Contains(string(out), "TITLE="+c.chapter+"\n") || !strings.Contains(string(out), "ALBUM="+c.o.Title+"\n") || !strings.Contains(string(out), "TRACKTOTAL=12\n") {
			t.Errorf("%s: %v\n%s", c.what, err, out)
		}
		if out, err := exec.Command("flac", "-t", "-s", path).CombinedOutput(); err != nil {
			t.Errorf("%s: flac -t: %v\n%s", c.what, err, out)
		}
	}
}

// TestUntagged: a spec that wants none gets the verified files themselves.
func TestUntagged(t *testing.T) {
	audio := encoded(t, pipeline.FLAC)
	m, _ := tagDelivery(t, tagCases[0].o, "Low Water", "ines", pipeline.FLAC, audio, true)
	for _, f := range m.Files {
		if f.Tags != nil || f.SHA256 != f.Verified || f.TagBytes != 0 || f.AudioSHA256 != f.Verified {
			t.Errorf("%+v", f)
		}
	}
}

// TestForced: what is withheld leaves with a person's reason, whole as far as it is.
func TestForced(t *testing.T) {
	s, o, spec := title(t)
	o.Chapters[1].Files[0].Verdict = pipeline.Return
	o.Withheld["lossless"] = "chapter 2, Frost, is to be returned"
	dir := filepath.Join(t.TempDir(), "lossless")
	m, err := delivery.Write(t.Context(), s, o, spec, dir, "the author wants it so")
	if err != nil || !m.Complete || m.Forced != "the author wants it so" || m.Withheld == "" || len(m.Files) != 2 {
		t.Errorf("%v, %+v", err, m)
	}
	if got, want := list(t, dir), []string{"01 Low Water.flac", "02 Frost.flac", "SHA256SUMS", "delivery.json", "delivery.txt"}; !slices.Equal(got, want) {
		t.Errorf("folder holds %q", got)
	}
	// A reason where none is needed says nothing.
	o.Withheld = map[string]string{}
	if m, err := delivery.Write(t.Context(), s, o, spec, dir, "just in case"); err != nil || m.Forced != "" {
		t.Errorf("%v, %+v", err, m)
	}
}

// TestASCII: names on demand in ASCII, of whatever they are made.
func TestASCII(t *testing.T) {
	for in, want := range map[string]string{
		"Café": "Cafe", "Łódź & Øresund": "Lodz & Oresund", "Straße": "Strasse", "Þingvellir": "Thingvellir", "Æsop’s": "AEsop's",
		"水": "-", "ﬁre": "fire", "Один…": "----...", "a\u00a0b": "a b", "№ 5": "No 5",
	} {
		o := pipeline.Outcome{Chapters: []pipeline.ChapterOutcome{{Number: 1, Name: in}}}
		got := delivery.Names(o, pipeline.Spec{Packaging: pipeline.Packaging{Name: "{chapter}|{number}", ASCII: true}})[0]
		if stem, _, _ := strings.Cut(got, "-01"); stem != want {
			t.Errorf("%q is %q, want %q", in, stem, want)
		}
		for _, r := range got {
			if r > 0x7e {
				t.Errorf("%q holds %q", got, r)
			}
		}
	}
}
