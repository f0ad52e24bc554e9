package meter

import (
	"encoding/csv"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// reference reads a table of published values; each row maps column to field.
func reference(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", "reference", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	records, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var rows []map[string]string
	for _, rec := range records[1:] {
		row := map[string]string{}
		for i, name := range records[0] {
			row[name] = rec[i]
		}
		rows = append(rows, row)
	}
	if len(rows) == 0 {
		t.Fatalf("%s has no rows", name)
	}
	return rows
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// caseRow is the row of a numbered test signal.
func caseRow(t *testing.T, name, number string) map[string]string {
	t.Helper()
	for _, row := range reference(t, name) {
		if row["case"] == number {
			return row
		}
	}
	t.Fatalf("%s has no case %s", name, number)
	return nil
}

// need skips a test where a program is absent, and fails it where nothing may
// be skipped.
func need(t *testing.T, program string) {
	t.Helper()
	if _, err := exec.LookPath(program); err != nil {
		if os.Getenv("CHAPTERHOUSE_REQUIRE") == "all" {
			t.Fatalf("%s is not installed, and CHAPTERHOUSE_REQUIRE=all", program)
		}
		t.Skipf("%s is not installed: install the Debian package of that name to run this comparison", program)
	}
}

// A segment is some time at a level of peak, −Inf for digital silence.
type segment struct{ seconds, peakDBFS float64 }

// segments reads "20@-23;1 sil;5x(1.34@-20;1.66@-30)".
func segments(t *testing.T, text string) []segment {
	t.Helper()
	if count, inner, ok := strings.Cut(text, "x("); ok {
		n := int(number(t, count))
		once := segments(t, strings.TrimSuffix(inner, ")"))
		var all []segment
		for range n {
			all = append(all, once...)
		}
		return all
	}
	var all []segment
	for _, part := range strings.Split(text, ";") {
		if seconds, ok := strings.CutSuffix(part, " sil"); ok {
			all = append(all, segment{number(t, seconds), math.Inf(-1)})
			continue
		}
		seconds, level, ok := strings.Cut(part, "@")
		if !ok {
			t.Fatalf("segment %q", part)
		}
		all = append(all, segment{number(t, seconds), number(t, level)})
	}
	return all
}

// tone is a 1 kHz sine whose level follows segments. The rate is a multiple of
// 100 Hz, so that 10 ms repeat.
func tone(rateHz int, all ...segment) []float64 {
	period := make([]float64, rateHz/100)
	for i := range period {
		period[i] = math.Sin(2 * math.Pi * 1000 * float64(i) / float64(rateHz))
	}
	var x []float64
	var end float64
	for _, s := range all {
		end += s.seconds
		amplitude := math.Pow(10, s.peakDBFS/20)
		for n := int(math.Round(end * float64(rateHz))); len(x) < n; {
			x = append(x, amplitude*period[len(x)%len(period)])
		}
	}
	return x
}
