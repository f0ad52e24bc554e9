package pipeline

import "strings"

// Cell is s as the text of a spreadsheet's cell: one visible line that no
// program takes for a formula. What would start one (= + - @, behind blanks
// too) gets an apostrophe before it, which programs take for "this is text".
// Numbers go into their cells as they are.
func Cell(s string) string {
	s = Visible(s)
	if t := strings.TrimLeft(s, " \u00a0\u3000"); t != "" && strings.ContainsRune("=+-@＝＋－＠", []rune(t)[0]) {
		return "'" + s
	}
	return s
}
