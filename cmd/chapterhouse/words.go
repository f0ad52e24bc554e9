package main

import (
	"fmt"
	"maps"
	"slices"
	"strings"
)

// count is a number of things in words.
func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// size is a number of bytes in words.
func size(bytes int64) string {
	switch {
	case bytes < 1e6:
		return fmt.Sprintf("%.0f kB", float64(bytes)/1e3)
	case bytes < 1e9:
		return fmt.Sprintf("%.0f MB", float64(bytes)/1e6)
	}
	return fmt.Sprintf("%.1f GB", float64(bytes)/1e9)
}

// sortedKeys are a map's keys in order.
func sortedKeys[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }

// listed is a map's keys in words.
func listed[V any](m map[string]V) string { return strings.Join(sortedKeys(m), ", ") }
