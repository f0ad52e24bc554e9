package coordinator

import (
	"fmt"
	"slices"
	"strings"
)

// repair is how the command that mends is called, for people.
const repair = "check --repair"

// remedy says in one sentence what to do about a fault before any repair.
func (f Fault) remedy() string {
	if f.Fault == IsUnreadable {
		return "see that the disk or the storage service is well, then check again"
	}
	switch placeOf(f.Object).kind {
	case blobPlace:
		return f.blobRemedy()
	case commitPlace:
		switch {
		case f.Fault == IsUnknown:
			return "check with the newest build that works on this store"
		case f.Fault == IsMissing && f.night != "":
			return "let the night work: " + f.night + " is under way and makes it again"
		case f.Fault == IsMissing:
			return repair + " has the result made again by a new run of the title"
		case f.stands():
			return repair + " removes it and has the result made again by a new run of the title"
		}
		return repair + " removes it, and the next run that needs the result makes it again"
	case recipePlace:
		return repair + " removes it or writes it again, as far as the plans of the titles tell what it was"
	case failurePlace:
		return repair + " removes it: one failed try less is counted"
	case quarantinePlace:
		if f.Fault == IsStale {
			return "nothing; a run of its title with --again tries it again"
		}
		return repair + " removes it, and it is written again out of the failed tries"
	case runPlace:
		return f.runRemedy()
	case titlePlace:
		if f.Weight == Notice {
			return "submit the title again"
		}
		return "put it back from a copy of the store, or remove what is left of it and submit the title again: its results are found"
	case openPlace:
		switch {
		case f.Fault == IsMissing:
			return repair + " writes it again"
		case strings.HasPrefix(f.What, "the run"):
			return repair + " removes it, as a coordinator does"
		}
		return "submit the title again"
	case housePlace:
		return "put it back from a copy of the store, or remove it and push the house again"
	case sharePlace, narratorPlace:
		return repair + " writes it again from the runs that stand"
	}
	if strings.HasPrefix(f.Object, "attempts/") {
		return "nothing"
	}
	return "remove it if it is nobody's"
}

func (f Fault) blobRemedy() string {
	aside := ""
	if f.Fault == IsDamaged {
		aside = "with " + repair + " move the damaged bytes out of the way, then "
	}
	switch {
	case len(f.pushed) > 0:
		return aside + "push the house again from a folder that has " + strings.Join(f.pushed, ", ")
	case f.source:
		var what []string
		for _, h := range f.Hits {
			for _, file := range h.Files {
				what = append(what, fmt.Sprintf("%s again with the same %s", h.Title, file))
			}
		}
		slices.Sort(what)
		return aside + "submit " + strings.Join(slices.Compact(what), ", ")
	case len(f.commits) > 0 && f.stands():
		return repair + " removes it with its commit and has the result made again by a new run of the title"
	case len(f.commits) > 0:
		return repair + " removes it with its commit, and the next run that needs the result makes it again"
	case f.Fault == IsDamaged:
		return repair + " moves it out of the way, so that nobody takes it for whole"
	case f.night != "":
		return "let the night work: " + f.night + " is under way and makes it again"
	}
	return repair + " has the result made again by a new run of the title"
}

func (f Fault) runRemedy() string {
	switch p := placeOf(f.Object); {
	case f.Weight == Notice:
		return "nothing: the run is over and another one stands"
	case p.what == "submit":
		return "put it back from a copy of the store, or remove titles/" + p.title + "/ and submit the title again: its results are found"
	case !f.stands():
		return repair + " removes it, and the run decides it again"
	case p.what == "fits" || p.what == "gains":
		return repair + " writes it again from the run's close"
	}
	return repair + " has it made again by a new run of the title"
}

// stands tells whether what stands of a title is hit.
func (f Fault) stands() bool {
	return slices.ContainsFunc(f.Hits, func(h Hit) bool { return h.Standing })
}
