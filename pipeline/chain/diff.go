package chain

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"

	"chapterhouse/pipeline"
)

// Diff says what became of chain a in chain b, one line a change, in the order
// of b; none where they sound the same. Stages are numbered from 1, those that
// went by their place in a.
func Diff(a, b pipeline.Chain) []string {
	var lines []string
	if a.SpeechDBFS != b.SpeechDBFS {
		lines = append(lines, fmt.Sprintf("reference: speech_dbfs was %g, is %g", float64(a.SpeechDBFS), float64(b.SpeechDBFS)))
	}
	pairs := align(a.Stages, b.Stages)
	from := moves(a.Stages, b.Stages, pairs)
	for _, p := range pairs {
		switch {
		case p.a >= 0 && p.b >= 0:
			for _, change := range changes(a.Stages[p.a], b.Stages[p.b]) {
				lines = append(lines, fmt.Sprintf("stage %d (%s): %s", p.b+1, b.Stages[p.b].Stage, change))
			}
		case p.a >= 0 && from[p.a] == nowhere:
			lines = append(lines, fmt.Sprintf("stage %d (%s) is gone: %s", p.a+1, a.Stages[p.a].Stage, Describe(a.Stages[p.a])))
		case p.b >= 0:
			if was := slices.Index(from, p.b); was >= 0 {
				lines = append(lines, fmt.Sprintf("stage %d (%s) was stage %d", p.b+1, b.Stages[p.b].Stage, was+1))
				continue
			}
			lines = append(lines, fmt.Sprintf("stage %d (%s) is new: %s", p.b+1, b.Stages[p.b].Stage, Describe(b.Stages[p.b])))
		}
	}
	return lines
}

const nowhere = -1

// A pair is a stage in both chains, by its places; nowhere in the one that
// doesn't have it.
type pair struct{ a, b int }

// moves tells for each stage of a where in b it stands unchanged in another
// order, nowhere for all others.
func moves(a, b []pipeline.Resolved, pairs []pair) []int {
	to := slices.Repeat([]int{nowhere}, len(a))
	for _, gone := range pairs {
		for _, new := range pairs {
			if gone.b == nowhere && new.a == nowhere && same(a[gone.a], b[new.b]) && !slices.Contains(to, new.b) {
				to[gone.a] = new.b
				break
			}
		}
	}
	return to
}

func same(a, b pipeline.Resolved) bool {
	return a.Stage == b.Stage && a.Rev == b.Rev && bytes.Equal(a.Params, b.Params)
}

// align pairs stages of one name in order, so that as many as can be are
// paired, equal ones before changed ones (longest common subsequence with
// weights).
func align(a, b []pipeline.Resolved) []pair {
	weight := func(x, y pipeline.Resolved) int {
		switch {
		case same(x, y):
			return 3
		case x.Stage == y.Stage:
			return 2
		}
		return 0
	}
	best := make([][]int, len(a)+1)
	for i := range best {
		best[i] = make([]int, len(b)+1)
	}
	for i := len(a) - 1; i >= 0; i-- {
		for j := len(b) - 1; j >= 0; j-- {
			best[i][j] = max(best[i+1][j], best[i][j+1])
			if w := weight(a[i], b[j]); w > 0 {
				best[i][j] = max(best[i][j], w+best[i+1][j+1])
			}
		}
	}
	var pairs []pair
	i, j := 0, 0
	for i < len(a) && j < len(b) {
		switch w := weight(a[i], b[j]); {
		case w > 0 && best[i][j] == w+best[i+1][j+1]:
			pairs = append(pairs, pair{i, j})
			i, j = i+1, j+1
		case best[i][j] == best[i+1][j]:
			pairs = append(pairs, pair{i, nowhere})
			i++
		default:
			pairs = append(pairs, pair{nowhere, j})
			j++
		}
	}
	for ; i < len(a); i++ {
		pairs = append(pairs, pair{i, nowhere})
	}
	for ; j < len(b); j++ {
		pairs = append(pairs, pair{nowhere, j})
	}
	return pairs
}

// changes are the parameters that two stages of one name differ in.
func changes(a, b pipeline.Resolved) []string {
	var lines []string
	if a.Rev != b.Rev {
		lines = append(lines, fmt.Sprintf("revision was %d, is %d: the same parameters sound different", a.Rev, b.Rev))
	}
	was, is := flat(a.Params), flat(b.Params)
	both := maps.Clone(was)
	maps.Copy(both, is)
	for _, k := range slices.Sorted(maps.Keys(both)) {
		old, before := was[k]
		now, after := is[k]
		switch {
		case !before:
			lines = append(lines, fmt.Sprintf("%s is new, %s", k, now))
		case !after:
			lines = append(lines, fmt.Sprintf("%s is gone, was %s", k, old))
		case old != now:
			lines = append(lines, fmt.Sprintf("%s was %s, is %s", k, old, now))
		}
	}
	return lines
}

// Describe is a stage's parameters on one line: "cutoff_hz 65,
// slope_db_per_octave 18".
func Describe(r pipeline.Resolved) string {
	values := flat(r.Params)
	var parts []string
	for _, k := range slices.Sorted(maps.Keys(values)) {
		parts = append(parts, k+" "+values[k])
	}
	return strings.Join(parts, ", ")
}

// flat is every value of a JSON text by its path ("bands[0].ratio").
func flat(text []byte) map[string]string {
	values := map[string]string{}
	dec := json.NewDecoder(bytes.NewReader(text))
	dec.UseNumber()
	var tree any
	if err := dec.Decode(&tree); err != nil {
		return map[string]string{"": string(text)}
	}
	flatten(values, "", tree)
	return values
}

func flatten(values map[string]string, path string, v any) {
	switch v := v.(type) {
	case map[string]any:
		for k, item := range v {
			at := k
			if path != "" {
				at = path + "." + k
			}
			flatten(values, at, item)
		}
	case []any:
		for i, item := range v {
			flatten(values, fmt.Sprintf("%s[%d]", path, i), item)
		}
	case nil: // an empty list
	default:
		values[path] = fmt.Sprint(v)
	}
}
