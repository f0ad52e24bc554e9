package clinic

import "testing"

// TestDraftReads: what is written as a chain file is read back whole, reasons of
// stages and of bands included.
func TestDraftReads(t *testing.T) {
	f := Form{Narrator: "ada-reed", Setup: "cellar"}
	steps := []step{
		{stage: "highpass", params: fields{{"cutoff_hz", 62.5}, {"slope_db_per_octave", 18}}, why: `her voice begins at 170 Hz: "rumble" below`, corrective: true},
		{stage: "expander", params: fields{{"crossovers_hz", []float64{200}}, {"bands", []fields{{{"over_room_tone_db", 8.0}, {"ratio", 1.5}, {"range_db", 6.0}}, {{"over_room_tone_db", 7.0}, {"ratio", 1.4}, {"range_db", 6.0}}}}}, corrective: true},
		{stage: "eq", items: []fields{{{"shape", "bell"}, {"centre_hz", 178.0}, {"gain_db", -3.5}, {"q", 8.0}, {"why", "the width"}}}, corrective: true},
		{stage: "clicks", params: fields{{"ticks", true}}},
	}
	d, err := draft("spare", "little", f, -23, steps)
	if err != nil {
		t.Fatalf("%v\n%s", err, d.YAML)
	}
	if len(d.Chain.Stages) != 4 || len(d.Chain.Reasons) != 2 || d.Chain.Reasons[0] != `stage 1 (highpass): her voice begins at 170 Hz: "rumble" below` {
		t.Errorf("%d stages, reasons %q\n%s", len(d.Chain.Stages), d.Chain.Reasons, d.YAML)
	}
	if !d.Corrective[2] || d.Corrective[3] {
		t.Errorf("corrective %v", d.Corrective)
	}
}
