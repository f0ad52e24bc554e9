package main

import (
	"context"
	"fmt"
	"math"
	"regexp"
	"strings"

	acoustics "chapterhouse/dsp/room"
)

// Limits of the physics: half a unit of the tables' last place and a little.
const (
	modesOffHz    = 0.006
	waveOffHz     = 0.06
	soundOffMS    = 0.006
	absorptionOff = 0.001
	tableSpeedMS  = 343.0 // that tables of modes and waves were made with
)

// clinicFigures holds the physics that advice counts with to published tables.
func clinicFigures(_ context.Context, s *site, t *table) error {
	for _, rows := range []func(*site, *table) error{modeFigures, waveFigures, speedFigures, absorptionFigures} {
		if err := rows(s, t); err != nil {
			return err
		}
	}
	return nil
}

// modeFigures looks for every mode of the table by its order along each side.
func modeFigures(s *site, t *table) error {
	rows, err := s.published("room_modes_example.csv")
	if err != nil {
		return err
	}
	worst, missing := 0.0, 0
	for _, r := range rows {
		var w, d, h float64
		if _, err := fmt.Sscanf(r["room"][strings.IndexByte(r["room"], '_')+1:], "%fx%fx%f", &w, &d, &h); err != nil {
			return fmt.Errorf("room %q: %w", r["room"], err)
		}
		missing++
		for _, m := range acoustics.Modes(w, d, h, tableSpeedMS, cellValue(r["freq_hz"])+1) {
			if m.NX == int(cellValue(r["nx"])) && m.NY == int(cellValue(r["ny"])) && m.NZ == int(cellValue(r["nz"])) && string(m.Kind()) == r["type"] {
				worst = max(worst, math.Abs(m.Hz-cellValue(r["freq_hz"])))
				missing--
			}
		}
	}
	t.atMost("modes of two rooms", worst, modesOffHz, "%.3f Hz off", fmt.Sprintf("%d modes", len(rows)))
	t.atMost("modes of two rooms that are missing", float64(missing), 0, "%.0f", "")
	return nil
}

func waveFigures(s *site, t *table) error {
	rows, err := s.published("quarter_wave.csv")
	if err != nil {
		return err
	}
	worst := 0.0
	for _, r := range rows {
		d := cellValue(r["depth_mm"]) / 1000
		worst = max(worst, math.Abs(acoustics.QuarterWave(d, tableSpeedMS)-cellValue(r["f_quarter_wave_hz"])), math.Abs(acoustics.TenthWave(d, tableSpeedMS)-cellValue(r["f_tenth_wave_hz"])))
	}
	t.atMost("quarter and tenth of a wave", worst, waveOffHz, "%.2f Hz off", fmt.Sprintf("%d depths", len(rows)))
	return nil
}

func speedFigures(s *site, t *table) error {
	rows, err := s.published("speed_of_sound.csv")
	if err != nil {
		return err
	}
	worst := 0.0
	for _, r := range rows {
		worst = max(worst, math.Abs(acoustics.SpeedOfSound(cellValue(r["temp_c"]))-cellValue(r["c_iso9613_1"])))
	}
	t.atMost("speed of sound", worst, soundOffMS, "%.3f m/s off", fmt.Sprintf("%d temperatures", len(rows)))
	return nil
}

// absorptionFigures holds rows that were computed from the model's source to it,
// and tells how far laboratory rows lie off.
func absorptionFigures(s *site, t *table) error {
	rows, err := s.published("absorption_mineral_wool.csv")
	if err != nil {
		return err
	}
	gap := regexp.MustCompile(`^(\d+) mm gap$`)
	worst, computed := 0.0, 0
	for _, r := range rows {
		l := acoustics.Layer{ThicknessM: cellValue(r["thickness_mm"]) / 1000, FlowResistivity: 10000}
		if m := gap.FindStringSubmatch(r["mounting"]); m != nil {
			l.GapM = cellValue(m[1]) / 1000
		}
		if strings.Contains(r["material"], "sigma=20000") {
			l.FlowResistivity = 20000
		}
		model := l.Random
		if strings.Contains(r["material"], "normal incidence") {
			model = l.Normal
		}
		var off []string
		for _, octave := range []float64{125, 250, 500, 1000, 2000, 4000} {
			d := cellValue(r[fmt.Sprintf("a%.0f", octave)]) - model(octave)
			off = append(off, fmt.Sprintf("%+.2f", d))
			if r["status"] == "computed" {
				worst = max(worst, math.Abs(d))
			}
		}
		if r["status"] == "computed" {
			computed++
			continue
		}
		t.tell(fmt.Sprintf("%s, %s mm, %s (%s), less the model of 10,000 Pa·s/m²", r["material"], r["thickness_mm"], r["mounting"], r["status"]), strings.Join(off, " "))
	}
	t.atMost("absorption by Miki 1990", worst, absorptionOff, "%.4f off", fmt.Sprintf("%d rows from 125 Hz to 4 kHz", computed))
	t.note("Absorption: laboratory values (ISO 354) are of finite samples whose flow resistivity is not told, and lie over an infinite")
	t.note("layer's in the low octaves, because sound bends round the edges; from 125 Hz to 4 kHz.")
	return nil
}
