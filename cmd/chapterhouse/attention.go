package main

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"chapterhouse/coordinator"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
)

// status is a title as it was seen, with what of it needs a person.
func (t seenTitle) status(here present, r rates) StatusTitle {
	one := StatusTitle{Title: t.title, Name: t.sub.Title.Name}
	if t.err != nil {
		one.Open, one.Run, one.Step = true, t.state.Wanted, "unreadable"
		one.Attention = []string{"it can't be read: " + t.err.Error()}
		return one
	}
	if t.state.Cancelled > t.state.Wanted {
		one.Cancelled = t.state.Cancelled
	}
	if t.standing != nil {
		one.Name, one.Standing = t.standing.Title, standingRun(*t.standing)
	}
	if t.state.Wanted == t.state.Standing {
		if t.standing != nil {
			one.Chapters = len(t.standing.Chapters)
		}
		one.Attention = t.verdicts()
		return one
	}
	order := coordinator.OrderOf(t.state)
	one.Open = true
	one.Name, one.Run, one.Class, one.Due = t.sub.Title.Name, t.state.Wanted, string(order.Class), order.Due
	one.Step = words[t.view.Step]
	one.Chapters = len(t.sub.Title.Chapters)
	one.place = place{engine: t.view.Engine, due: order.Due}
	if one.place.engine == "" {
		one.Step, one.place.engine = "waiting", here.likely()
	}
	r = r.measured(t.view.Cost)
	if opened := t.view.Step != "" && t.view.Step != pipeline.StepIntake; opened {
		one.Chapters = len(t.view.Chapters)
		one.Left = chaptersLeft(t.view)
		one.place.ahead = aheadOf(t.view, filesPerChapter(t.sub.Specs), r)
	} else {
		one.Left, one.Guessed = one.Chapters, true
		one.place.ahead = aheadUnopened(t.sub.Sources, filesPerChapter(t.sub.Specs), r)
	}
	one.Attention = slices.Concat(t.chapters(), t.hands(here), t.verdicts())
	return one
}

func filesPerChapter(specs []pipeline.Spec) (n int) {
	for _, s := range specs {
		n += len(s.Sound.Files)
	}
	return n
}

func chaptersLeft(v coordinator.Title) (n int) {
	for _, c := range v.Chapters {
		if c.Hole == "" && (len(c.Missing) > 0 || len(c.Done) == 0 || v.Step != pipeline.StepFile) {
			n++
		}
	}
	return n
}

func standingRun(o pipeline.Outcome) *StandingRun {
	s := &StandingRun{Run: o.Run, Verdict: o.Verdict, Chapters: len(o.Chapters), Withheld: o.Withheld}
	for _, ch := range o.Chapters {
		switch ch.Verdict {
		case pipeline.Listen:
			s.Listen++
		case pipeline.Return:
			s.Return++
		default:
			s.Ready++
		}
	}
	return s
}

// chapters are those of the unfinished run that will be missing, or failed.
func (t seenTitle) chapters() (lines []string) {
	for i, c := range t.view.Chapters {
		what := fmt.Sprintf("chapter %d, %s", c.Number, c.Name)
		if t.view.Step == pipeline.StepIntake && i < len(t.sub.Sources) {
			what = t.sub.Sources[i].Path
		}
		switch {
		case c.Hole != "":
			lines = append(lines, what+", will be missing: "+c.Hole)
		case c.Late != "":
			lines = append(lines, what+", failed and is tried again: "+c.Late)
		}
	}
	return lines
}

// hands is what a run lacks of workers.
func (t seenTitle) hands(here present) (lines []string) {
	if here.unknown != "" || len(here.workers) == 0 {
		return nil // it is said once for all
	}
	id := t.view.Engine
	if id == "" {
		makes := func(b queue.Beat) bool { return b.Engine.Makes(t.sub) }
		if !slices.ContainsFunc(slices.Collect(maps.Values(here.workers)), makes) {
			return []string{"no worker is up that has its chains' stages as they were when it was submitted: submit it again with the program of the workers, or start one of the program that submitted it"}
		}
		id = here.likely()
	}
	engine, up := here.engine(id)
	if !up {
		return []string{fmt.Sprintf("no worker of its engine, %s, is up: start one of that build and with those encoders, or cancel the run and submit it again", id)}
	}
	for _, s := range t.sub.Specs {
		for _, f := range s.Sound.Files {
			if _, ok := engine.Encoders[f.Format]; !ok {
				lines = append(lines, fmt.Sprintf("%s asks for %s files, and no worker of its engine can write them: install the program there (Debian's package lame for mp3), cancel the run and submit it again", s.Spec, f.Format))
			}
		}
	}
	return lines
}

// verdicts is what of the standing run asks for a person.
func (t seenTitle) verdicts() (lines []string) {
	if t.standing == nil {
		return nil
	}
	named := map[pipeline.Verdict][]string{}
	for _, ch := range t.standing.Chapters {
		if ch.Verdict != pipeline.Ready {
			named[ch.Verdict] = append(named[ch.Verdict], fmt.Sprintf("%d, %s", ch.Number, ch.Name))
		}
	}
	for _, v := range []struct {
		verdict pipeline.Verdict
		words   string
	}{{pipeline.Return, "to return"}, {pipeline.Listen, "to listen to"}} {
		if names := named[v.verdict]; len(names) > 0 {
			lines = append(lines, fmt.Sprintf("run %s, which stands, has %s %s: %s", t.standing.Run, count(len(names), "chapter"), v.words, some(names)))
		}
	}
	for _, spec := range sortedKeys(t.standing.Withheld) {
		lines = append(lines, fmt.Sprintf("run %s: the delivery for %s is withheld: %s", t.standing.Run, spec, t.standing.Withheld[spec]))
	}
	for _, s := range t.standing.Skipped {
		lines = append(lines, fmt.Sprintf("run %s made no files for %s: %s", t.standing.Run, s.Spec, s.Why))
	}
	return lines
}

// some are the first few of many.
func some(names []string) string {
	const most = 5
	if len(names) > most {
		return fmt.Sprintf("%s; and %d more", strings.Join(names[:most], "; "), len(names)-most)
	}
	return strings.Join(names, "; ")
}

// likely is the engine that a run without one will be pinned to: the one with
// the most slots.
func (p present) likely() (id string) {
	slots := p.slots()
	for _, one := range sortedKeys(slots) {
		if id == "" || slots[one] > slots[id] {
			id = one
		}
	}
	return id
}

// attention is what the night as a whole lacks.
func (p present) attention(open bool) (lines []string) {
	switch {
	case p.unknown != "":
		return []string{"who is up is not known: " + p.unknown}
	case !open:
		return nil
	}
	if len(p.coordinators) == 0 {
		lines = append(lines, "no coordinator is up: start one with chapterhouse coordinator")
	}
	if len(p.workers) == 0 {
		lines = append(lines, "no worker is up: start one with chapterhouse worker")
	}
	return lines
}

// closed is a title without an unfinished run, in words.
func (t StatusTitle) closed() string {
	if t.Standing == nil {
		if t.Cancelled == "" {
			return t.Title + "\n"
		}
		return fmt.Sprintf("%s: run %s was cancelled, and no other stands\n", t.Title, t.Cancelled)
	}
	s := t.Standing
	text := fmt.Sprintf("%s: run %s stands: %s, %d ready", pipeline.Visible(t.Name), s.Run, count(s.Chapters, "chapter"), s.Ready)
	if s.Listen > 0 {
		text += fmt.Sprintf(", %d to listen to", s.Listen)
	}
	if s.Return > 0 {
		text += fmt.Sprintf(", %d to return", s.Return)
	}
	if t.Cancelled != "" {
		text += fmt.Sprintf("; run %s was cancelled", t.Cancelled)
	}
	return text + "\n"
}

// timeLeft is a while in words.
func timeLeft(d time.Duration) string {
	switch minutes := int(d.Round(time.Minute).Minutes()); {
	case d < time.Minute:
		return "a minute"
	case minutes < 60:
		return fmt.Sprintf("%d min", minutes)
	default:
		return fmt.Sprintf("%d h %02d min", minutes/60, minutes%60)
	}
}
