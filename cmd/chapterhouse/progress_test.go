package main

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"chapterhouse/coordinator"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
)

// digests are keys for tests, one a number.
func digests(numbers ...int) []pipeline.Digest {
	var out []pipeline.Digest
	for _, n := range numbers {
		out = append(out, pipeline.DigestOf([]byte{byte(n)}))
	}
	return out
}

func TestWorkLeft(t *testing.T) {
	chapter := func(seconds float64, done, missing []pipeline.Digest) coordinator.Chapter {
		return coordinator.Chapter{Seconds: seconds, Done: done, Missing: missing}
	}
	for _, c := range []struct {
		name     string
		step     pipeline.Step
		chapters []coordinator.Chapter
		events   map[int]float64 // key's number: progress
		done     float64         // of the title, 0 to 1
	}{
		{"nothing yet", pipeline.StepProfile, []coordinator.Chapter{chapter(60, nil, digests(1)), chapter(60, nil, digests(2))}, nil, 0},
		{"one of two measured", pipeline.StepProfile, []coordinator.Chapter{chapter(60, digests(1), nil), chapter(60, nil, digests(2))}, nil, 0.15 / 2},
		{"half of one, told by its worker", pipeline.StepProfile, []coordinator.Chapter{chapter(60, nil, digests(1)), chapter(60, nil, digests(2))}, map[int]float64{1: 0.5}, 0.15 / 4},
		{"chapters count by their length", pipeline.StepProfile, []coordinator.Chapter{chapter(30, digests(1), nil), chapter(90, nil, digests(2))}, nil, 0.15 / 4},
		{"two parts, one measured", pipeline.StepProfile, []coordinator.Chapter{chapter(60, digests(1), digests(2))}, nil, 0.15 / 2},
		{"all measured, none weighed", pipeline.StepWeigh, []coordinator.Chapter{chapter(60, nil, digests(1))}, nil, 0.15},
		{"all weighed, none rendered", pipeline.StepFile, []coordinator.Chapter{chapter(60, nil, digests(1, 2))}, nil, 0.35},
		{"one file of two", pipeline.StepFile, []coordinator.Chapter{chapter(60, digests(1), digests(2))}, nil, 0.35 + 0.65/2},
		{"all of it", pipeline.StepFile, []coordinator.Chapter{chapter(60, digests(1, 2), nil)}, nil, 1},
		{"a hole is done with", pipeline.StepFile, []coordinator.Chapter{{Seconds: 60, Hole: "cut off", Missing: digests(1)}, chapter(60, digests(2), nil)}, nil, 1},
		{"news of a key nobody waits for", pipeline.StepFile, []coordinator.Chapter{chapter(60, nil, digests(1))}, map[int]float64{9: 1}, 0.35},
	} {
		t.Run(c.name, func(t *testing.T) {
			work := newWorkLeft()
			for n, part := range c.events {
				work.event(queue.Event{Key: digests(n)[0], Progress: part})
			}
			work.title(coordinator.Title{Step: c.step, Chapters: c.chapters})
			if got := work.look(); math.Abs(got.done-c.done) > 1e-12 {
				t.Errorf("done %v, want %v", got.done, c.done)
			}
		})
	}
}

// TestTimeLeft: the rest at the speed so far; what was there when the clock
// started is no speed, and too little done is no estimate.
func TestTimeLeft(t *testing.T) {
	at := time.Date(2026, 1, 1, 22, 0, 0, 0, time.UTC)
	chapters := func(done, missing []pipeline.Digest) []coordinator.Chapter {
		return []coordinator.Chapter{{Seconds: 100, Done: done, Missing: missing}}
	}
	night := func(begun pipeline.Step, done, missing []pipeline.Digest) *workLeft {
		work := newWorkLeft()
		work.now = func() time.Time { return at }
		work.title(coordinator.Title{Step: pipeline.StepIntake, Chapters: []coordinator.Chapter{{Missing: digests(1)}}})
		if v := work.look(); v.left >= 0 || v.chapters != nil {
			t.Errorf("before the parts are known: %+v", v)
		}
		work.title(coordinator.Title{Step: begun, Chapters: chapters(done, missing)})
		work.now = func() time.Time { return at.Add(time.Minute) }
		return work
	}

	work := night(pipeline.StepProfile, nil, digests(1))
	if v := work.look(); v.left >= 0 {
		t.Errorf("%v left though nothing was done", v.left)
	}
	work.event(queue.Event{Key: digests(1)[0], Progress: 1}) // 15 % in a minute
	if got, want := work.look().left, time.Minute*85/15; got != want.Round(time.Second) {
		t.Errorf("%v left, want %v", got, want)
	}

	// A night that goes on: 35 % were there, half of the rest took the minute.
	work = night(pipeline.StepFile, nil, digests(1, 2))
	work.title(coordinator.Title{Step: pipeline.StepFile, Chapters: chapters(digests(1), digests(2))})
	if got := work.look().left; got != time.Minute {
		t.Errorf("%v left, want 1m0s", got)
	}
	work.title(coordinator.Title{Step: pipeline.StepFile, Chapters: chapters(digests(1, 2), nil)})
	if got := work.look().left; got != 0 {
		t.Errorf("%v left, want none", got)
	}
}

// TestLines: where standard error is no terminal, a line a step, and not one
// for each piece of news.
func TestLines(t *testing.T) {
	var out bytes.Buffer
	show := newProgress(&out, "Eleven Tide Gates")
	for _, step := range []pipeline.Step{pipeline.StepIntake, pipeline.StepProfile, pipeline.StepWeigh, pipeline.StepFile} {
		for done := range 3 {
			seen := coordinator.Title{Step: step}
			for i := range 2 {
				ch := coordinator.Chapter{Seconds: 60, Missing: digests(i)}
				if i < done {
					ch.Done, ch.Missing = ch.Missing, nil
				}
				seen.Chapters = append(seen.Chapters, ch)
			}
			show.title(seen)
			show.event(queue.Event{Key: digests(1)[0], Progress: 0.5})
		}
	}
	show.title(coordinator.Title{Closed: true})
	show.close()
	lines := strings.Split(strings.TrimSpace(out.String()), "\n")
	for i, want := range []string{"opening: 0 of 2", "measuring: 0 of 2", "weighing: 0 of 2", "rendering: 0 of 2"} {
		if i >= len(lines) || !strings.HasPrefix(lines[i], want) {
			t.Errorf("line %d of %q is not %q", i, lines, want)
		}
	}
	if len(lines) != 4 || strings.Contains(out.String(), "\x1b") {
		t.Errorf("printed %q", out.String())
	}
}

// terminal is a pseudo terminal: screen is what a program writes to, said what
// was written so far.
func terminal(t *testing.T) (screen *os.File, said func() string) {
	t.Helper()
	us, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	if err == nil {
		err = unix.IoctlSetPointerInt(int(us.Fd()), unix.TIOCSPTLCK, 0)
	}
	var n int
	if err == nil {
		n, err = unix.IoctlGetInt(int(us.Fd()), unix.TIOCGPTN)
	}
	if err == nil {
		err = unix.IoctlSetWinsize(int(us.Fd()), unix.TIOCSWINSZ, &unix.Winsize{Row: 40, Col: 100})
	}
	if err == nil {
		screen, err = os.OpenFile(fmt.Sprintf("/dev/pts/%d", n), os.O_RDWR|unix.O_NOCTTY, 0)
	}
	if err != nil {
		if os.Getenv("CHAPTERHOUSE_REQUIRE") == "all" {
			t.Fatalf("no pseudo terminal, and CHAPTERHOUSE_REQUIRE=all: %v", err)
		}
		t.Skipf("no pseudo terminal here: %v", err)
	}
	var mu sync.Mutex
	var text strings.Builder
	go func() {
		b := make([]byte, 4096)
		for {
			n, err := us.Read(b)
			mu.Lock()
			text.Write(b[:n])
			mu.Unlock()
			if err != nil {
				return
			}
		}
	}()
	t.Cleanup(func() {
		screen.Close()
		us.Close()
	})
	return screen, func() string {
		mu.Lock()
		defer mu.Unlock()
		return text.String()
	}
}

// eventually waits until something holds.
func eventually(t *testing.T, what string, holds func() bool) {
	t.Helper()
	for end := time.Now().Add(patience); !holds(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("%s: not in %v", what, patience)
		}
	}
}

// TestBars draws while news comes from two sides at once, which is how a night
// once stood still: the drawing waited for the news and the news for the
// drawing. Then it closes in the midst of news, as when a person stops it.
func TestBars(t *testing.T) {
	screen, said := terminal(t)
	show := newProgress(screen, "Eleven Tide Gates")
	if _, ok := show.(*barProgress); !ok {
		t.Fatalf("at a terminal it is %T", show)
	}
	seen := coordinator.Title{Step: pipeline.StepProfile}
	for i, name := range []string{"Low Water", "Frost"} {
		seen.Chapters = append(seen.Chapters, coordinator.Chapter{Number: i + 1, Name: name, Seconds: 60, Missing: digests(i)})
	}
	stop := make(chan struct{})
	var news sync.WaitGroup
	for side := range 2 {
		news.Go(func() {
			for n := 0; ; n++ {
				select {
				case <-stop:
					return
				default:
				}
				if side == 0 {
					show.title(seen)
				}
				show.event(queue.Event{Key: digests(n % 2)[0], Progress: float64(n%1000) / 1000})
				time.Sleep(20 * time.Microsecond) // news, and not all of a busy machine's time
			}
		})
	}
	frames := func() int { return strings.Count(said(), "Low Water") }
	eventually(t, "drawn ten times, with the time left", func() bool { return frames() >= 10 && strings.Contains(said(), "left") })
	closed := make(chan struct{})
	go func() {
		show.close()
		close(closed)
		close(stop)
		news.Wait()
	}()
	eventually(t, "closed", func() bool {
		select {
		case <-closed:
			return true
		default:
			return false
		}
	})
	for _, want := range []string{"1 Low Water", "2 Frost", "Eleven Tide Gates", "%", "left"} {
		if !strings.Contains(said(), want) {
			t.Errorf("no %q on the screen", want)
		}
	}
}

// TestInterruptAtTerminal stops the program itself while it draws bars.
func TestInterruptAtTerminal(t *testing.T) {
	screen, said := terminal(t)
	house := t.TempDir()
	for _, part := range []string{"narrators", "titles/an-orchard-under-panes"} {
		if err := os.CopyFS(filepath.Join(house, part), os.DirFS(filepath.Join(demo, part))); err != nil {
			t.Fatal(err)
		}
	}
	text, err := os.ReadFile(filepath.Join(demo, "house.yaml"))
	if err == nil {
		err = os.WriteFile(filepath.Join(house, "house.yaml"), text, 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(filepath.Join(programs, "chapterhouse"), "process", filepath.Join(house, "titles/an-orchard-under-panes"), "--spec", "lossless")
	cmd.Stderr = screen
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	eventually(t, "bars", func() bool { return strings.Contains(said(), "The First Pane") })
	if err := cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	select {
	case err = <-ended:
	case <-time.After(patience):
		_ = cmd.Process.Kill()
		t.Fatalf("it did not end; the screen:\n%s", said())
	}
	var exit *exec.ExitError
	if !errors.As(err, &exit) || exit.ExitCode() != exitFailed {
		t.Errorf("it ended with %v", err)
	}
	eventually(t, "the last word", func() bool {
		return strings.HasSuffix(strings.TrimSpace(said()), "stopped; the same command goes on from here")
	})
	if left := working(house); len(left) > 0 {
		t.Errorf("these still run: %v", left)
	}
}
