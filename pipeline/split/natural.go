package split

import "strings"

// Natural compares file names as people count: 2 before 10, capitals beside
// their small letters. It is a strict order: 0 only for equal names.
func Natural(a, b string) int {
	x, y := strings.ToLower(a), strings.ToLower(b)
	for x != "" && y != "" {
		if digit(x[0]) && digit(y[0]) {
			var m, n string
			m, x = digits(x)
			n, y = digits(y)
			if len(m) != len(n) {
				return len(m) - len(n)
			}
			if m != n {
				return strings.Compare(m, n)
			}
			continue
		}
		if x[0] != y[0] {
			return int(x[0]) - int(y[0])
		}
		x, y = x[1:], y[1:]
	}
	if len(x) != len(y) {
		return len(x) - len(y)
	}
	return strings.Compare(a, b) // leading zeros, capitals
}

// digits takes the number off the front of s, without leading zeros.
func digits(s string) (number, rest string) {
	n := 0
	for n < len(s) && digit(s[n]) {
		n++
	}
	return strings.TrimLeft(s[:n], "0"), s[n:]
}

func digit(c byte) bool { return c >= '0' && c <= '9' }
