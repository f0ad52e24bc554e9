package pipeline

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Clock is a time as people say it: m:ss.s, and h:mm:ss.s from an hour on.
func Clock(seconds float64) string {
	tenths := int64(math.Round(max(0, seconds) * 10))
	if h := tenths / 36000; h > 0 {
		return fmt.Sprintf("%d:%02d:%02d.%d", h, tenths/600%60, tenths/10%60, tenths%10)
	}
	return fmt.Sprintf("%d:%02d.%d", tenths/600, tenths/10%60, tenths%10)
}

// ParseClock reads a time as people write it, to a hundredth: seconds, m:ss or
// h:mm:ss, each with decimals or without; at most 100 hours.
func ParseClock(s string) (seconds float64, ok bool) {
	units := strings.Split(s, ":")
	if len(units) > 3 {
		return 0, false
	}
	for i, u := range units {
		digits := "0123456789"
		if i == len(units)-1 {
			digits += "."
		}
		v, err := strconv.ParseFloat(u, 64)
		if err != nil || strings.Trim(u, digits) != "" || i > 0 && v >= 60 {
			return 0, false
		}
		seconds = float64(seconds*60) + v
	}
	return math.Round(seconds*100) / 100, seconds <= 360000
}
