package main

import (
	"fmt"
	"io"
	"os"
	"sync"
	"time"

	"chapterhouse/coordinator"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"

	"github.com/vbauerster/mpb/v8"
	"github.com/vbauerster/mpb/v8/decor"
	"golang.org/x/term"
)

// progress shows a night while it runs: a bar a chapter and one for the title
// on a terminal, a line a step elsewhere.
type progress interface {
	title(t coordinator.Title)
	event(e queue.Event)
	close()
}

func newProgress(w io.Writer, name string) progress {
	if f, ok := w.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		return &barProgress{bars: mpb.New(mpb.WithOutput(w), mpb.WithAutoRefresh()), name: name, work: newWorkLeft()}
	}
	return &lineProgress{w: w, work: newWorkLeft()}
}

// share is how much of a chapter's work a step is, from measured processor time.
var share = map[pipeline.Step]float64{pipeline.StepProfile: 0.15, pipeline.StepWeigh: 0.20, pipeline.StepFile: 0.60, pipeline.StepCheck: 0.05}

// workLeft knows how far each chapter is and how fast the night goes: the work
// is seconds of audio times the steps' shares.
type workLeft struct {
	mu       sync.Mutex
	now      func() time.Time
	start    time.Time
	first    float64 // done when the clock started
	step     pipeline.Step
	chapters []coordinator.Chapter
	part     map[pipeline.Digest]float64
}

func newWorkLeft() *workLeft {
	return &workLeft{now: time.Now, part: map[pipeline.Digest]float64{}}
}

func (l *workLeft) title(t coordinator.Title) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.step, l.chapters = t.Step, t.Chapters
	if done, _ := l.sum(); l.start.IsZero() && t.Step == pipeline.StepProfile {
		l.start, l.first = l.now(), done
	}
}

func (l *workLeft) event(e queue.Event) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.part[e.Key] = e.Progress
}

// chapter is how far one chapter is, 0 to 1.
func (l *workLeft) chapter(c coordinator.Chapter) float64 {
	if c.Hole != "" {
		return 1
	}
	before := 0.0
	switch l.step {
	case pipeline.StepWeigh:
		before = share[pipeline.StepProfile]
	case pipeline.StepFile:
		before = share[pipeline.StepProfile] + share[pipeline.StepWeigh]
	case pipeline.StepProfile:
	default:
		return 0
	}
	of := share[l.step]
	if l.step == pipeline.StepFile {
		of = 1 - before
	}
	n := len(c.Done) + len(c.Missing)
	if n == 0 {
		return before
	}
	got := float64(len(c.Done))
	for _, k := range c.Missing {
		got += l.part[k]
	}
	return before + of*got/float64(n)
}

// sum is the work done and the whole of it, in seconds of audio.
func (l *workLeft) sum() (done, whole float64) {
	for _, c := range l.chapters {
		done += c.Seconds * l.chapter(c)
		whole += c.Seconds
	}
	return done, whole
}

// left is the time the night still takes at the speed measured so far; ok is
// false while too little was done to tell.
func (l *workLeft) left() (d time.Duration, ok bool) {
	done, whole := l.sum()
	spent := l.now().Sub(l.start)
	if l.start.IsZero() || whole == 0 || done-l.first < 0.02*whole {
		return 0, false
	}
	return time.Duration(float64(spent) * (whole - done) / (done - l.first)).Round(time.Second), true
}

// lineProgress is for logs and pipes.
type lineProgress struct {
	w     io.Writer
	work  *workLeft
	step  pipeline.Step
	count int
	at    time.Time
}

func (p *lineProgress) event(e queue.Event) { p.work.event(e) }
func (p *lineProgress) close()              {}

func (p *lineProgress) title(t coordinator.Title) {
	p.work.title(t)
	if t.Closed {
		return
	}
	n := 0
	for _, c := range t.Chapters {
		if len(c.Missing) == 0 {
			n++
		}
	}
	const quiet = 5 * time.Second // between two lines of one step
	if t.Step == p.step && (n == p.count || time.Since(p.at) < quiet) {
		return
	}
	p.step, p.count, p.at = t.Step, n, time.Now()
	line := fmt.Sprintf("%s: %d of %d", words[t.Step], n, len(t.Chapters))
	p.work.mu.Lock()
	if left, ok := p.work.left(); ok {
		line += fmt.Sprintf(", about %v left", left)
	}
	p.work.mu.Unlock()
	fmt.Fprintln(p.w, line)
}

var words = map[pipeline.Step]string{
	pipeline.StepIntake: "opening", pipeline.StepProfile: "measuring", pipeline.StepWeigh: "weighing", pipeline.StepFile: "rendering",
}

// barProgress is for people at a terminal.
type barProgress struct {
	bars  *mpb.Progress
	name  string
	work  *workLeft
	total *mpb.Bar
	each  []*mpb.Bar
}

const barSteps = 1000

func (p *barProgress) event(e queue.Event) {
	p.work.event(e)
	p.draw()
}

func (p *barProgress) title(t coordinator.Title) {
	p.work.title(t)
	p.draw()
}

func (p *barProgress) draw() {
	p.work.mu.Lock()
	defer p.work.mu.Unlock()
	if p.work.step == "" || p.work.step == pipeline.StepIntake {
		return
	}
	if p.total == nil {
		left := decor.Any(func(decor.Statistics) string {
			p.work.mu.Lock()
			defer p.work.mu.Unlock()
			if d, ok := p.work.left(); ok {
				return fmt.Sprintf(" %v left", d)
			}
			return ""
		})
		for _, c := range p.work.chapters {
			p.each = append(p.each, p.bars.AddBar(barSteps,
				mpb.PrependDecorators(decor.Name(fmt.Sprintf("%3d %s", c.Number, c.Name), decor.WCSyncSpaceR)),
				mpb.AppendDecorators(decor.Percentage())))
		}
		p.total = p.bars.AddBar(barSteps, mpb.PrependDecorators(decor.Name(p.name, decor.WCSyncSpaceR)), mpb.AppendDecorators(decor.Percentage(), left))
	}
	for i, c := range p.work.chapters {
		p.each[i].SetCurrent(int64(barSteps * p.work.chapter(c)))
	}
	if done, whole := p.work.sum(); whole > 0 {
		p.total.SetCurrent(int64(barSteps * done / whole))
	}
}

// close ends the bars where they are: what is finished is full already.
func (p *barProgress) close() {
	for _, b := range append(p.each, p.total) {
		if b != nil {
			b.Abort(false)
		}
	}
	p.bars.Wait()
}

// newUploadProgress says how far the reading of sources is, at most once a second.
func newUploadProgress(w io.Writer) func(done, of int64) {
	var last time.Time
	return func(done, of int64) {
		if now := time.Now(); now.Sub(last) > time.Second && done < of {
			if !last.IsZero() {
				fmt.Fprintf(w, "reading sources: %d of %d MB\n", done>>20, of>>20)
			}
			last = now
		}
	}
}
