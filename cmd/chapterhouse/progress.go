package main

import (
	"fmt"
	"io"
	"os"
	"sync"
	"sync/atomic"
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
	return newLineProgress(w)
}

func newLineProgress(w io.Writer) progress { return &lineProgress{w: w, work: newWorkLeft()} }

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
	// The clock starts with the first chapters that are known, whatever step
	// they are at: a night that goes on begins late.
	if done, whole := l.sum(); l.start.IsZero() && whole > 0 {
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

// A look is how far a night is, for whoever draws it.
type look struct {
	chapters []lookChapter // none before the parts are measured
	done     float64       // of the title, 0 to 1
	left     time.Duration // negative: can't tell yet
}

type lookChapter struct {
	number int
	name   string
	done   float64
}

func (l *workLeft) look() look {
	l.mu.Lock()
	defer l.mu.Unlock()
	v := look{left: -1}
	if l.step == "" || l.step == pipeline.StepIntake || l.step == pipeline.StepSurvey {
		return v
	}
	for _, c := range l.chapters {
		v.chapters = append(v.chapters, lookChapter{c.Number, c.Name, l.chapter(c)})
	}
	if done, whole := l.sum(); whole > 0 {
		v.done = done / whole
	}
	if d, ok := l.left(); ok {
		v.left = d
	}
	return v
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
	if now := p.work.look(); now.left >= 0 {
		line += fmt.Sprintf(", about %v left", now.left)
	}
	fmt.Fprintln(p.w, line)
}

var words = map[pipeline.Step]string{
	pipeline.StepIntake: "opening", pipeline.StepSurvey: "finding pauses", pipeline.StepProfile: "measuring", pipeline.StepWeigh: "weighing", pipeline.StepFile: "rendering",
}

// barProgress is for people at a terminal.
type barProgress struct {
	bars  *mpb.Progress
	name  string
	work  *workLeft
	mu    sync.Mutex // of the bars; never held by what draws them
	total *mpb.Bar
	each  []*mpb.Bar
	left  atomic.Value // string: what the title's bar says of the time left
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
	p.mu.Lock()
	defer p.mu.Unlock()
	now := p.work.look()
	if len(now.chapters) == 0 {
		return
	}
	if p.total == nil {
		p.add(now)
	}
	if now.left >= 0 {
		p.left.Store(fmt.Sprintf(" %v left", now.left))
	}
	for i, c := range now.chapters {
		p.each[i].SetCurrent(int64(barSteps * c.done))
	}
	p.total.SetCurrent(int64(barSteps * now.done))
}

func (p *barProgress) add(now look) {
	p.left.Store("")
	for _, c := range now.chapters {
		p.each = append(p.each, p.bars.AddBar(barSteps,
			mpb.PrependDecorators(decor.Name(fmt.Sprintf("%3d %s", c.number, pipeline.Visible(c.name)), decor.WCSyncSpaceR)),
			mpb.AppendDecorators(decor.Percentage())))
	}
	p.total = p.bars.AddBar(barSteps,
		mpb.PrependDecorators(decor.Name(pipeline.Visible(p.name), decor.WCSyncSpaceR)),
		mpb.AppendDecorators(decor.Percentage(), decor.Any(func(decor.Statistics) string { return p.left.Load().(string) })))
}

// close ends the bars where they are: what is finished is full already.
func (p *barProgress) close() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, b := range append(p.each, p.total) {
		if b != nil {
			b.Abort(false)
		}
	}
	p.bars.Wait()
}

// newReadProgress says how far the reading of something is, at most once a second.
func newReadProgress(w io.Writer, what string) func(done, of int64) {
	var last time.Time
	return func(done, of int64) {
		if now := time.Now(); now.Sub(last) > time.Second && done < of {
			if !last.IsZero() {
				fmt.Fprintf(w, "reading %s: %d of %d MB\n", what, done>>20, of>>20)
			}
			last = now
		}
	}
}
