package main

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"

	"chapterhouse/pipeline/check"
	"chapterhouse/testdata/voices/plant"
)

// Limits of the board.
const (
	clearShare   = 0.95 // found of what is clearly audible
	listensAHour = 1.0  // of clean narration, all kinds together
)

// board plants faults in readings, sends the checks to them, and counts.
func board(ctx context.Context, s *site, t *table) error {
	if s.files != "" {
		return boardOfFiles(s, t)
	}
	if err := need("espeak-ng"); err != nil {
		return err
	}
	kinds, err := chosenKinds(s.kinds)
	if err != nil {
		return err
	}
	counted := map[string]tally{}
	for _, side := range boardSides(s.seed, s.size) {
		if s.side != "both" && s.side != side.name {
			continue
		}
		if counted[side.name], err = side.count(ctx, s, kinds); err != nil {
			return err
		}
		for _, line := range counted[side.name].ears {
			s.say("false alarm: %s", line)
		}
	}
	main, beside := "print", "tune"
	if s.side == "tune" {
		main, beside = "tune", ""
	}
	if s.stored != "" {
		return againstStored(s, t, main, kinds, counted[main])
	}
	other, both := counted[beside]
	gradeRows(t, kinds, counted[main].grades, other.grades, both)
	alarmRows(t, counted[main], other, both)
	t.note("Figures are of the side %q%s. Found is a finding of any weight, for an ear those above the fold; ms off is the median.", main,
		map[bool]string{true: ", and in brackets of \"tune\", on which thresholds may be fixed: other voices, booths, noises and seeds"}[both])
	t.note("A row with a limit is clearly audible by its size. 95 %%: Wilson's interval; alarms: Garwood's upper limit for a Poisson mean.")
	t.note("Alarms at mouth clicks that the voice makes by itself are told apart. All of it is synthetic voices in simulated booths, of rooms at %v dBFS.", boardFloors())
	return nil
}

// chosenKinds are those named, or all.
func chosenKinds(names string) ([]plant.Kind, error) {
	all := plant.Kinds()
	if names == "" {
		return all, nil
	}
	var chosen []plant.Kind
	for _, name := range strings.Split(names, ",") {
		i := slices.IndexFunc(all, func(k plant.Kind) bool { return k.Name == name })
		switch {
		case i >= 0:
			chosen = append(chosen, all[i])
		case name != cleanKind:
			var known []string
			for _, k := range all {
				known = append(known, k.Name)
			}
			return nil, fmt.Errorf("no kind is called %q: there are %s and %s", name, strings.Join(known, ", "), cleanKind)
		}
	}
	return chosen, nil
}

// cleanKind asks for narration without a fault.
const cleanKind = "clean"

// count plants and hears the whole side, two readings at a time.
func (side boardSide) count(ctx context.Context, s *site, kinds []plant.Kind) (tally, error) {
	var work []func() (tally, error)
	var short, long, among []plant.Kind
	for _, k := range kinds {
		switch {
		case k.Long():
			long = append(long, k)
		case k.Among():
			among = append(among, k)
		default:
			short = append(short, k)
		}
	}
	if len(long) > 0 { // first, for they take longest
		for n := range side.longBeds() {
			work = append(work, func() (tally, error) { return side.long(long, n) })
		}
	}
	if len(among) > 0 {
		for n := range side.titleVoices() {
			work = append(work, func() (tally, error) { return side.titles(among, n) })
		}
	}
	if len(short) > 0 {
		for n := range side.beds() {
			work = append(work, func() (tally, error) { return side.planted(short, n) })
		}
	}
	if s.kinds == "" || slices.Contains(strings.Split(s.kinds, ","), cleanKind) {
		for n := range side.voices {
			work = append(work, func() (tally, error) { return side.clean(n) })
		}
	}
	done := make([]tally, len(work))
	errs := make([]error, len(work))
	var group sync.WaitGroup
	turn := make(chan struct{}, 2)
	for i, f := range work {
		turn <- struct{}{}
		if err := ctx.Err(); err != nil {
			return tally{}, err
		}
		s.say("%s: %d of %d", side.name, i+1, len(work))
		group.Go(func() {
			defer func() { <-turn }()
			done[i], errs[i] = f()
		})
	}
	group.Wait()
	all := newTally()
	for i := range work {
		if errs[i] != nil {
			return all, errs[i]
		}
		all.join(done[i])
	}
	return all, nil
}

// gradeRows are kind by level.
func gradeRows(t *table, kinds []plant.Kind, of, beside map[grade]count, both bool) {
	for _, k := range kinds {
		for level := range k.Sizes {
			g := grade{k.Name, k.Level(level)}
			what, measured := k.Name+", "+k.Level(level), of[g].String()
			if both {
				measured += fmt.Sprintf(" [%d of %d]", beside[g].found, beside[g].planted)
			}
			switch {
			case level == k.Clear:
				t.hold(what, measured, fmt.Sprintf("at least %.0f %%", 100*clearShare), of[g].planted > 0 && of[g].share() >= clearShare)
			case level < k.Clear:
				t.tell(what+" (gross)", measured)
			default:
				t.tell(what, measured)
			}
		}
	}
}

// alarmRows are false alarms by check, and their sum.
func alarmRows(t *table, of, beside tally, both bool) {
	if of.hours == 0 {
		return
	}
	rate := func(n int, hours float64) string {
		return fmt.Sprintf("%d in %.1f h, %.2f an hour (95 %%: under %.2f)", n, hours, float64(n)/hours, poissonHigh(n)/hours)
	}
	names := slices.Sorted(maps.Keys(of.alarms))
	for _, c := range check.Builtin() {
		if c.Listen != nil && !slices.Contains(names, c.Name) {
			names = append(names, c.Name)
		}
	}
	slices.SortFunc(names, cmp.Compare)
	for _, name := range names {
		a := of.alarms[name]
		measured := rate(a.listens, of.hours)
		if a.natural+a.notices+a.returns > 0 {
			measured += fmt.Sprintf("; %d notices, %d at what is there, %d return", a.notices, a.natural, a.returns)
		}
		if both && beside.hours > 0 {
			measured += fmt.Sprintf(" [%d in %.1f h]", beside.alarms[name].listens, beside.hours)
		}
		t.tell("false alarms for an ear: "+name, measured)
	}
	sum, other := of.sum(), beside.sum()
	measured := rate(sum.listens, of.hours)
	if both && beside.hours > 0 {
		measured += fmt.Sprintf(" [%d in %.1f h]", other.listens, beside.hours)
	}
	t.hold("false alarms for an ear: all kinds together", measured, fmt.Sprintf("at most %g an hour", listensAHour), float64(sum.listens)/of.hours <= listensAHour)
	t.hold("false return", rate(sum.returns, of.hours), "none", sum.returns == 0)
}
