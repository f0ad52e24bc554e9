package coordinator

import (
	"cmp"
	"encoding/hex"
	"slices"
	"strings"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// sum is a digest in half the room.
type sum [32]byte

// sumOf is a valid digest's sum.
func sumOf(d pipeline.Digest) (s sum) {
	_, _ = hex.Decode(s[:], []byte(d)) // a Valid digest decodes
	return s
}

// placeKind is what an object is, as its name tells.
type placeKind int

const (
	noPlace placeKind = iota // of no kind that this build knows
	blobPlace
	recipePlace
	commitPlace
	tryPlace     // that a try of a key began
	failurePlace // how it failed
	quarantinePlace
	titlePlace
	runPlace
	openPlace
	narratorPlace
	sharePlace  // a narrator's chapters of a run
	housePlace  // the house's YAML as it was pushed: blobs by path
	besidePlace // not the store's, and known to lie there
)

// place is an object's name taken apart.
type place struct {
	kind                 placeKind
	key                  pipeline.Digest // of a blob its own
	title, run, narrator string
	what                 string // of a run's object: submit, plan …
}

// runObjects are what a run is written down in, in the order of the flow.
var runObjects = [...]string{"submit", "engine", "plan", "fits", "gains", "close"}

// placeOf takes a name apart.
func placeOf(name string) place {
	if d, ok := store.BlobDigest(name); ok {
		return place{kind: blobPlace, key: d}
	}
	if strings.HasPrefix(name, "probe/") { // a storage server is being tried: see Probe in pipeline/store/s3
		return place{kind: besidePlace}
	}
	stem, ok := strings.CutSuffix(name, ".json")
	if !ok {
		return place{}
	}
	part := strings.Split(stem, "/")
	at := func(pattern string) bool {
		want := strings.Split(pattern, "/")
		return slices.EqualFunc(part, want, func(p, w string) bool { return w == "*" || p == w })
	}
	key := func(kind placeKind) place {
		if d := pipeline.Digest(part[1]); d.Valid() {
			return place{kind: kind, key: d}
		}
		return place{}
	}
	switch {
	case at("recipes/*"):
		return key(recipePlace)
	case at("commits/*"):
		return key(commitPlace)
	case at("quarantine/*"):
		return key(quarantinePlace)
	case at("attempts/*/*") && strings.HasSuffix(part[2], ".err"):
		return key(failurePlace)
	case at("attempts/*/*"):
		return key(tryPlace)
	case at("titles/*/title"):
		return place{kind: titlePlace, title: part[1]}
	case at("titles/*/runs/*/*") && slices.Contains(runObjects[:], part[4]):
		return place{kind: runPlace, title: part[1], run: part[3], what: part[4]}
	case at("open/*/*"):
		return place{kind: openPlace, title: part[1], run: part[2]}
	case at("narrators/*/narrator"):
		return place{kind: narratorPlace, narrator: part[1]}
	case at("narrators/*/titles/*/*"):
		return place{kind: sharePlace, narrator: part[1], title: part[3], run: part[4]}
	case at("house/house"):
		return place{kind: housePlace}
	case at("seen"): // what a machine has read before: see upload in cmd
		return place{kind: besidePlace}
	}
	return place{}
}

func shareName(narrator, title, run string) string {
	return "narrators/" + narrator + "/titles/" + title + "/" + run + ".json"
}

func compareHits(a, b Hit) int {
	return cmp.Or(strings.Compare(a.Title, b.Title), strings.Compare(a.Run, b.Run), cmp.Compare(a.Chapter, b.Chapter))
}
