package coordinator

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"
	"go.uber.org/zap"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/check"
	"chapterhouse/pipeline/queue"
	queuememory "chapterhouse/pipeline/queue/memory"
	"chapterhouse/pipeline/store"
	"chapterhouse/pipeline/store/memory"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const (
	title  = "eleven-tide-gates"
	second = dsp.Frames(44100)
)

// recording is what there is to know of a source without hearing it.
type recording struct {
	seconds  dsp.Frames
	speech   dsp.DBFS // level while speaking
	body     float64  // how far the level of all lies from that of speech, dB
	booth    dsp.DBFS // room tone, in every band
	fault    string   // intake can't use it
	mute     string   // profile can't use it
	contents string   // "": its path
	cues     []pipeline.Cue
	sheet    bool // it has a cue sheet
	dense    bool // nobody pauses
}

// world is a house in memory: a store, a queue, a title and hands that make
// results up from recipes as a worker would.
type world struct {
	t       testing.TB
	store   *memory.Store
	queue   queue.Queue
	sources map[pipeline.Digest]recording
	sub     pipeline.Submission

	mu   sync.Mutex
	made []pipeline.Recipe // in order
	// fail tells how the next try of a recipe fails, nil if it does not.
	fail func(pipeline.Recipe) *pipeline.Failure
	// again is when a ring whose try failed comes back. Where it is not 0 the
	// test stands in a bubble of time.
	again time.Duration
}

func newWorld(t testing.TB) *world {
	w := &world{t: t, store: memory.New(), queue: queuememory.New(queuememory.Options{}), sources: map[pipeline.Digest]recording{}}
	w.sub = pipeline.Submission{
		House:    "Demo House",
		Settings: pipeline.Settings{House: "Demo House", Level: pipeline.LevelSettings{PoolMinS: 60}, Fit: pipeline.FitSettings{MinSpeechS: 60}},
		Title:    pipeline.Title{Slug: title, Name: "Eleven Tide Gates", Narrator: "ines", Setup: "booth"},
		Narrators: map[string]pipeline.Narrator{
			"ines":   narrator("ines", 80),
			"tobias": narrator("tobias", 90),
		},
		Specs:  []pipeline.Spec{lossless(), retail()},
		Engine: pipeline.NewEngine(map[string]int{"highpass": 1}, map[pipeline.Format]string{pipeline.FLAC: "own 1", pipeline.MP3: "lame 3.100"}),
	}
	w.chapter(1, "Low Water", "ines", recording{seconds: 600, speech: -24, body: 0, booth: -66})
	w.chapter(2, "The Weigh House", "ines", recording{seconds: 700, speech: -24.5, body: -0.4, booth: -66})
	w.chapter(3, "Two Lanterns", "tobias", recording{seconds: 650, speech: -30, body: 0.5, booth: -58})
	w.chapter(4, "The Crossing", "ines", recording{seconds: 300, speech: -24, body: 0.2, booth: -66})
	w.part(4, "tobias", recording{seconds: 310, speech: -30, body: 0.4, booth: -58})
	return w
}

func narrator(slug string, cutoffHz float64) pipeline.Narrator {
	return pipeline.Narrator{Narrator: slug, Name: slug, Setups: map[string]pipeline.Setup{"booth": {Chain: chainOf(slug, cutoffHz)}}}
}

func chainOf(slug string, cutoffHz float64) *pipeline.Chain {
	return &pipeline.Chain{
		Chain: slug + "-booth", Narrator: slug, Setup: "booth", SpeechDBFS: -22,
		Stages: []pipeline.Resolved{{Stage: "highpass", Rev: 1, Params: json.RawMessage(fmt.Sprintf(`{"cutoff_hz":%g,"slope_db_per_octave":12}`, cutoffHz))}},
	}
}

func lossless() pipeline.Spec {
	return pipeline.Spec{
		Spec: "lossless", Source: "common practice",
		Sound: pipeline.Sound{
			Level: pipeline.Level{Measure: pipeline.MeasureRMSPlain, Window: [2]float64{-23, -18}, Aim: -20},
			Peak:  pipeline.Peak{MaxDBTP: -3},
			Edges: pipeline.Edges{HeadS: [2]float64{0.5, 1}, HeadAimS: 0.75, TailS: [2]float64{1, 5}, TailAimS: 3},
			Files: []pipeline.FileFormat{{Format: pipeline.FLAC, RateHz: 44100, Channels: 1, Bits: 16}},
		},
		Limits:    pipeline.Limits{NoiseFloorDBFS: -60, MaxMinutes: 120},
		Packaging: pipeline.Packaging{Name: "{number} {chapter}"},
	}
}

func retail() pipeline.Spec {
	s := lossless()
	s.Spec = "retail"
	s.Sound.Level.Aim = -19
	s.Sound.Files = []pipeline.FileFormat{{Format: pipeline.MP3, RateHz: 44100, Channels: 1, Mode: "cbr", Kbps: 192}}
	return s
}

// chapter adds a chapter of one part.
func (w *world) chapter(number int, name, who string, r recording) {
	w.sub.Title.Chapters = append(w.sub.Title.Chapters, pipeline.TitleChapter{Number: number, Name: name, Role: pipeline.RoleChapter})
	w.part(number, who, r)
}

// part adds a part to a chapter.
func (w *world) part(number int, who string, r recording) {
	ch := &w.sub.Title.Chapters[w.index(number)]
	path := fmt.Sprintf("%02d-%d.flac", number, len(ch.Parts)+1)
	ch.Parts = append(ch.Parts, pipeline.TitlePart{File: path, Narrator: who, Setup: "booth"})
	w.sub.Sources = append(w.sub.Sources, w.upload(path, r))
}

// excerpt adds an excerpt of a chapter's first part.
func (w *world) excerpt(of int, fromS, toS float64) {
	part := w.sub.Title.Chapters[w.index(of)].Parts[0]
	part.FromS, part.ToS = fromS, toS
	w.sub.Title.Chapters = append(w.sub.Title.Chapters, pipeline.TitleChapter{
		Number: len(w.sub.Title.Chapters) + 1, Name: "Excerpt", Role: pipeline.RoleExcerpt, Parts: []pipeline.TitlePart{part},
	})
}

func (w *world) upload(path string, r recording) pipeline.SourceFile {
	contents := r.contents
	if contents == "" {
		contents = path
	}
	blob := pipeline.DigestOf([]byte(contents))
	w.sources[blob] = r
	if err := w.store.Put(context.Background(), blob, strings.NewReader(contents)); err != nil {
		w.t.Fatal(err)
	}
	return pipeline.SourceFile{Path: path, Blob: blob, Bytes: int64(len(contents))}
}

// record replaces the recording of a path.
func (w *world) record(path string, r recording) {
	for i, s := range w.sub.Sources {
		if s.Path == path {
			w.sub.Sources[i] = w.upload(path, r)
			return
		}
	}
	w.t.Fatalf("no source is called %s", path)
}

// of is the digest and recording of a path.
func (w *world) of(path string) (pipeline.Digest, recording) {
	for _, s := range w.sub.Sources {
		if s.Path == path {
			return s.Blob, w.sources[s.Blob]
		}
	}
	w.t.Fatalf("no source is called %s", path)
	return "", recording{}
}

func (w *world) index(number int) int {
	return slices.IndexFunc(w.sub.Title.Chapters, func(c pipeline.TitleChapter) bool { return c.Number == number })
}

// coordinator is a fresh one over a store, which may fail.
func (w *world) coordinator(s store.Store) *Coordinator {
	return &Coordinator{Store: s, Queue: w.queue, Slots: 2, Checks: check.Builtin(), Log: zap.NewNop()}
}

func (w *world) submit() string {
	w.t.Helper()
	run, err := Submit(context.Background(), w.store, w.sub, Order{Class: queue.Overnight})
	if err != nil {
		w.t.Fatal(err)
	}
	return run
}

// night works until the title is closed.
func (w *world) night(co *Coordinator) Title {
	w.t.Helper()
	seen, err := w.tryNight(co)
	if err != nil {
		w.t.Fatal(err)
	}
	return seen
}

func (w *world) tryNight(co *Coordinator) (Title, error) {
	for range 200 {
		seen, err := co.Reconcile(context.Background(), title)
		if err != nil || seen.Closed {
			return seen, err
		}
		for w.answer() {
		}
		time.Sleep(w.again)
	}
	return Title{}, errors.New("the title is not closed after 200 passes")
}

// submitAndClose is one run from submission to close; it returns how many
// results of each step the hands made.
func (w *world) submitAndClose() (Title, map[pipeline.Step]int) {
	w.t.Helper()
	before := len(w.made)
	w.submit()
	seen := w.night(w.coordinator(w.store))
	return seen, count(w.made[before:])
}

func count(recipes []pipeline.Recipe) map[pipeline.Step]int {
	n := map[pipeline.Step]int{}
	for _, r := range recipes {
		n[r.Step]++
	}
	return n
}

// objects is every object under some prefixes, whole.
func (w *world) objects(prefixes ...string) map[string]string {
	w.t.Helper()
	all := map[string]string{}
	for _, prefix := range prefixes {
		err := w.store.List(context.Background(), prefix, func(i store.Info) error {
			data, err := store.ReadObject(context.Background(), w.store, i.Name)
			all[i.Name] = string(data)
			return err
		})
		if err != nil {
			w.t.Fatal(err)
		}
	}
	return all
}

// results is every object that a finished night leaves, but for what was tried.
func (w *world) results() map[string]string {
	return w.objects("titles/", "narrators/", "commits/", "recipes/", "quarantine/")
}

// expectSame says which objects differ.
func expectSame(t testing.TB, what string, got, want map[string]string) {
	t.Helper()
	for _, name := range slices.Sorted(maps.Keys(want)) {
		if g, w := got[name], want[name]; g != w {
			same := 0
			for same < min(len(g), len(w)) && g[same] == w[same] {
				same++
			}
			from := max(0, same-100)
			t.Errorf("%s: %s differs from byte %d on:\n%.300s\nwant\n%.300s", what, name, same, g[min(from, len(g)):], w[min(from, len(w)):])
		}
	}
	for name := range got {
		if _, ok := want[name]; !ok {
			t.Errorf("%s: %s is there too", what, name)
		}
	}
}

// stood is the state of a title that was submitted and brought to its close so often.
func stood(runs int) pipeline.TitleState {
	run := fmt.Sprintf("%06d", runs)
	return pipeline.TitleState{Rev: 2 * runs, Seq: runs, Wanted: run, Standing: run, Class: string(queue.Overnight)}
}

// state is title.json.
func (w *world) state() pipeline.TitleState {
	w.t.Helper()
	return read[pipeline.TitleState](w, titleName(title))
}

func read[T any](w *world, name string) (v T) {
	w.t.Helper()
	if err := store.ReadJSON(context.Background(), w.store, name, &v); err != nil {
		w.t.Fatal(err)
	}
	return v
}

// recipes are those of a step that were made over a source.
func (w *world) recipes(step pipeline.Step, path string) (all []pipeline.Recipe) {
	source, _ := w.of(path)
	for _, r := range w.made {
		if r.Step == step && slices.Contains(r.Inputs(), source) {
			all = append(all, r)
		}
	}
	return all
}

// expectWhole tells that a closed title has no hole and lacks no file.
func (w *world) expectWhole(o pipeline.Outcome) {
	w.t.Helper()
	for _, ch := range o.Chapters {
		if ch.Hole != "" || len(ch.Files) != len(o.Specs) {
			w.t.Errorf("chapter %d: hole %q, %d files", ch.Number, ch.Hole, len(ch.Files))
		}
	}
	if len(o.Chapters) != len(w.sub.Title.Chapters) {
		w.t.Errorf("%d chapters, want %d", len(o.Chapters), len(w.sub.Title.Chapters))
	}
}
