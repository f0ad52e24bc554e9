package chain

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"

	"chapterhouse/pipeline"
)

// Settings are a stage's parameters for a person to read, a line for what holds for
// all of it and one for each of its bands: "attack_ms 3, crossovers_hz 200 1800",
// "band 1: centre_hz 85, gain_db -4, q 8.7, shape bell".
func Settings(r pipeline.Resolved) (lines []string) {
	var params map[string]json.RawMessage
	if json.Unmarshal(r.Params, &params) != nil {
		return []string{string(r.Params)}
	}
	var all []string
	for _, key := range slices.Sorted(maps.Keys(params)) {
		var list []json.RawMessage
		if json.Unmarshal(params[key], &list) != nil {
			if one := said(key, params[key]); one != "" { // null: an empty list
				all = append(all, one)
			}
			continue
		}
		var plain []string
		for i, item := range list {
			if strings.HasPrefix(string(item), "{") {
				lines = append(lines, fmt.Sprintf("%s %d: %s", strings.TrimSuffix(key, "s"), i+1, said("", item)))
				continue
			}
			plain = append(plain, string(item))
		}
		if len(plain) > 0 {
			all = append(all, key+" "+strings.Join(plain, " "))
		}
	}
	if len(all) > 0 {
		lines = append([]string{strings.Join(all, ", ")}, lines...)
	}
	return lines
}

// said is a parameter, or those within one, on a line.
func said(key string, text []byte) string {
	values := flat(text)
	var parts []string
	for _, k := range slices.Sorted(maps.Keys(values)) {
		parts = append(parts, strings.TrimSpace(strings.Trim(key+"."+k, ".")+" "+values[k]))
	}
	return strings.Join(parts, ", ")
}
