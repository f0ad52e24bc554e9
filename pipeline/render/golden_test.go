package render

import (
	"testing"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/chain"
)

const goldenChain = `chain: golden
narrator: nobody
setup: none
reference: {speech_dbfs: -23}
stages:
  - highpass: {cutoff_hz: 70, slope_db_per_octave: 18}
  - expander:
      crossovers_hz: [160, 1800, 6000]
      bands: [{over_room_tone_db: 8, ratio: 1.6, range_db: 8}, {over_room_tone_db: 7, ratio: 1.4, range_db: 6},
              {over_room_tone_db: 7, ratio: 1.4, range_db: 6}, {over_room_tone_db: 6, ratio: 1.3, range_db: 6}]
      look_ahead_ms: 8
      attack_ms: 3
      hold_ms: 120
      release_ms: 200
  - eq: [{shape: bell, centre_hz: 180, gain_db: -4, q: 3}, {shape: high-shelf, corner_hz: 10000, gain_db: 1}]
  - compressor: {threshold_over_speech_db: 2, ratio: 2, knee_db: 8, attack_ms: 10, release_ms: 150, detector: rms}
  - de-esser: {from_hz: 5800, to_hz: 9800, threshold_over_speech_db: -10, max_cut_db: 4}
`

// golden is the digest of each step's record and of the file it leaves, for
// one small input. Where a step is meant to give other bytes, raise its
// stepRev (or the stage's Rev), and only then put the new digest here.
var golden = map[string]string{
	"intake":                           "a517ca9b7b",
	"profile":                          "3a8780cfc0",
	"profile, resampled":               "1419d3d9d4",
	"weigh":                            "ba1a373c47",
	"file, FLAC of 24 bits, resampled": "903a4ccc16 91fc1a9694",
	"file, FLAC of 16 bits":            "4de1b960c7 7b92f4b99b",
	"file, WAV":                        "588936bfd3 eaf994d32c",
	"check":                            "66b2b7448c",
}

// Bits don't move without a revision: not by an edit, not by a compiler, a
// processor or GOAMD64. The digests are the same on every machine of this
// GOARCH; MP3 is left out, whose bytes are the encoder program's.
func TestGolden(t *testing.T) {
	const rate = 48000
	c, faults := chain.Parse([]byte(goldenChain), "golden.yaml")
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	f := newJobFolder(t)
	x, z := narration(51, rate, 0.9, 2.5, 0.6), scaled(narration(52, 44100, 0.2, 2, 0.3), 3)
	for i := range 30 {
		x[rate*2+i], z[44100+i] = 0.8, -0.7
	}
	first, _ := f.part(f.wav("first.wav", rate, 24, x, x), len(x), rate, c.Stages)
	source := f.wav("second.wav", 44100, 16, z)
	second, _ := f.part(source, len(z), rate, c.Stages)
	first.GainDB, second.GainDB, second.Join.PauseS = 9, 12.5, 0.4
	intake := pipeline.NewRecipe(pipeline.StepIntake)
	intake.Intake = &pipeline.IntakeRecipe{Source: source}
	other := flac16
	other.RateHz = rate
	for name, r := range map[string]pipeline.Recipe{
		"intake": intake, "profile": profileOf(first.Cut.Source, len(x), rate), "profile, resampled": profileOf(source, len(z), rate),
		"weigh": weighOf(second), "check": checkOf(first, second),
		"file, FLAC of 24 bits, resampled": fileOf(flac24, first, second), "file, FLAC of 16 bits": fileOf(other, first, second), "file, WAV": fileOf(wav24, second),
	} {
		commit := f.do(r)[0]
		if commit.Fault != "" {
			t.Fatalf("%s: %s", name, commit.Fault)
		}
		if r.Step == pipeline.StepCheck { // its sentences may be said better without listening again
			found := record[pipeline.CheckRecord](t, commit)
			for i := range found.Findings {
				found.Findings[i].Do = ""
			}
			text, err := pipeline.Canonical(found)
			if err != nil {
				t.Fatal(err)
			}
			commit.Record = text
		}
		got := pipeline.DigestOf(commit.Record).Short()
		for _, file := range commit.Files {
			if file.Role != "audio" {
				continue // packed: another build of the compressor may write other bytes
			}
			got += " " + file.Blob.Short()
		}
		if want := golden[name]; got != want {
			t.Errorf("%s: %q, want %q; the record is\n%s", name, got, want, commit.Record)
		}
	}
}
