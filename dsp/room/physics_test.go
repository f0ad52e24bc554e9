package room

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
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

// within fails unless got is no further from want than a tolerance.
func within(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %.4f, want %.4f within %g", what, got, want, tolerance)
	}
}

func TestSpeedOfSound(t *testing.T) {
	for _, r := range reference(t, "speed_of_sound.csv") {
		got := SpeedOfSound(number(t, r["temp_c"]))
		within(t, r["temp_c"]+" °C, ISO 9613-1", got, number(t, r["c_iso9613_1"]), 0.006)
		within(t, r["temp_c"]+" °C, by 331.3·√(1+t/273.15)", got, number(t, r["c_331_3"]), 0.025)
	}
}

func TestQuarterWave(t *testing.T) {
	for _, r := range reference(t, "quarter_wave.csv") {
		d := number(t, r["depth_mm"]) / 1000
		within(t, r["depth_mm"]+" mm, quarter wave", QuarterWave(d, 343), number(t, r["f_quarter_wave_hz"]), 0.06)
		within(t, r["depth_mm"]+" mm, tenth", TenthWave(d, 343), number(t, r["f_tenth_wave_hz"]), 0.06)
	}
}

// TestModes: every mode of the table is there, of its kind and at its frequency,
// and below the table's last there are as many as it has. Ranks are not compared:
// two that coincide change places with the last bit.
func TestModes(t *testing.T) {
	rooms := map[string][]map[string]string{}
	for _, r := range reference(t, "room_modes_example.csv") {
		rooms[r["room"]] = append(rooms[r["room"]], r)
	}
	for name, rows := range rooms {
		var w, d, h float64
		if _, err := fmt.Sscanf(name[strings.IndexByte(name, '_')+1:], "%fx%fx%f", &w, &d, &h); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		last := number(t, rows[len(rows)-1]["freq_hz"])
		got := Modes(w, d, h, 343, last+0.006)
		if len(got) != len(rows) {
			t.Errorf("%s: %d modes up to %.2f Hz, want %d", name, len(got), last, len(rows))
		}
		for _, r := range rows {
			n := [3]int{int(number(t, r["nx"])), int(number(t, r["ny"])), int(number(t, r["nz"]))}
			found := false
			for _, m := range got {
				if n != [3]int{m.NX, m.NY, m.NZ} {
					continue
				}
				found = true
				within(t, fmt.Sprint(name, n), m.Hz, number(t, r["freq_hz"]), 0.006)
				if string(m.Kind()) != r["type"] {
					t.Errorf("%s %v is %s, want %s", name, n, m.Kind(), r["type"])
				}
			}
			if !found {
				t.Errorf("%s: no mode %v", name, n)
			}
		}
		for i := range got[1:] {
			if got[i].Hz > got[i+1].Hz {
				t.Errorf("%s: %.2f Hz stands before %.2f", name, got[i].Hz, got[i+1].Hz)
			}
		}
	}
}

// TestDecays holds the textbook formulas to worked examples: a booth of
// 1.2 × 1.5 × 2.1 m and a room of 28.8 m³.
func TestDecays(t *testing.T) {
	const volume, walls = 3.78, 14.94
	for _, c := range []struct{ absorption, sabine, eyring float64 }{
		{0.05, 0.8153, 0.7947}, {0.2, 0.2038, 0.1827}, {0.5, 0.0815, 0.0588}, {0.8, 0.0510, 0.0253},
	} {
		within(t, fmt.Sprintf("Sabine at %g", c.absorption), Sabine(volume, walls*c.absorption, 343), c.sabine, 1e-4)
		within(t, fmt.Sprintf("Eyring at %g", c.absorption), Eyring(volume, walls, c.absorption, 343), c.eyring, 1e-4)
	}
	if got := Eyring(volume, walls, 1.14, 343); got != 0 {
		t.Errorf("Eyring of walls that take all: %g s", got)
	}
	within(t, "Schroeder of the booth", Schroeder(0.15, volume), 398, 0.5)
	within(t, "Schroeder of the room", Schroeder(0.3, 28.8), 204, 0.5)
}
