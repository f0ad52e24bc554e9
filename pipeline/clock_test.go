package pipeline

import "testing"

// TestClock: what is written is read again, in every form that people use.
func TestClock(t *testing.T) {
	for _, c := range []struct {
		text    string
		seconds float64
		ok      bool
		again   string
	}{
		{"17.25", 17.25, true, "0:17.3"},
		{"0", 0, true, "0:00.0"},
		{"754", 754, true, "12:34.0"},
		{"12:34.5", 754.5, true, "12:34.5"},
		{"0:05", 5, true, "0:05.0"},
		{"90:00", 5400, true, "1:30:00.0"},
		{"1:02:03", 3723, true, "1:02:03.0"},
		{"1:02:03.45", 3723.45, true, "1:02:03.5"},
		{"100:00:00", 360000, true, "100:00:00.0"},
		{"100:00:01", 0, false, ""}, {"", 0, false, ""}, {"noon", 0, false, ""}, {"-1", 0, false, ""}, {"-1:00", 0, false, ""},
		{"0:75", 0, false, ""}, {"1:75:00", 0, false, ""}, {"1.5:00", 0, false, ""}, {"1:2:3:4", 0, false, ""}, {"1e3", 0, false, ""},
		{"1:", 0, false, ""}, {"0:1.2.3", 0, false, ""}, {"NaN", 0, false, ""}, {"0x10", 0, false, ""},
	} {
		got, ok := ParseClock(c.text)
		if ok != c.ok || ok && (got != c.seconds || Clock(got) != c.again) {
			t.Errorf("%q is %g (%t), %s; want %g (%t), %s", c.text, got, ok, Clock(got), c.seconds, c.ok, c.again)
		}
	}
}
