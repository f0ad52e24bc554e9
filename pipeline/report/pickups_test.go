package report

import (
	"bytes"
	"strings"
	"testing"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/attention"
)

// asked is a list with lines for two narrators, and what is no pickup.
func asked() (pipeline.Outcome, attention.List) {
	place := func(check string, act pipeline.Act, who, in string) attention.Place {
		return attention.Place{
			Finding:  pipeline.Finding{Check: check, Act: act, Path: "a.wav", StartS: 61, EndS: 61.2, Measured: "misread: a gate, not the gate", Page: "xii", Line: "4", Weight: pipeline.Listen},
			Narrator: who, InFile: in, Clip: "001-" + check + ".flac",
		}
	}
	o := pipeline.Outcome{Title: "The Long Tide", House: "kiln-yard", Signed: "Kiln Yard", Narrators: map[string]string{"ines-marlow": "Ines Marlow"}}
	return o, attention.List{Name: "The Long Tide", Chapters: []attention.Chapter{
		{Number: 7, Name: "Frost", Places: []attention.Place{place("clipped", pipeline.Pickup, "ines-marlow", "0:01:02.0"), place("hum", pipeline.Change, "ines-marlow", "0:02:00.0")}},
		{Number: 2, Name: "Two Lanterns", Places: []attention.Place{place("note", pipeline.Pickup, "ines-marlow", "0:12:34.5"), place("dropout", pipeline.Pickup, "tobias-wren", "0:13:00.0")}},
	}}
}

// TestPickups: each narrator is asked for their own lines, in the order of the
// book, and told why.
func TestPickups(t *testing.T) {
	o, l := asked()
	if got := strings.Join(Readers(l), " "); got != "ines-marlow tobias-wren" {
		t.Errorf("asked are %q", got)
	}
	var page, table bytes.Buffer
	if err := PickupsHTML(&page, o, l, "ines-marlow"); err != nil {
		t.Fatal(err)
	}
	golden(t, "pickups.html", page.Bytes())
	read(t, page.Bytes())
	if text := page.String(); !strings.Contains(text, "Kiln Yard") || strings.Contains(text, "kiln-yard") {
		t.Error("it is not signed as the house signs")
	}
	o.Signed = ""
	var unsigned bytes.Buffer
	if err := PickupsHTML(&unsigned, o, l, "ines-marlow"); err != nil || strings.Contains(strings.ToLower(unsigned.String()), "kiln") || !strings.Contains(unsigned.String(), "With thanks for the reading.") {
		t.Errorf("%v, where the house does not sign:\n%s", err, unsigned.String())
	}
	if err := PickupsCSV(&table, l, "ines-marlow"); err != nil {
		t.Fatal(err)
	}
	rows := cells(t, table.Bytes())
	if len(rows) != 3 || strings.Join(rows[1], "|") != "The Long Tide|2 Two Lanterns|0:12:34.5|a.wav 1:01.0|xii|4|misread: a gate, not the gate|clips/001-note.flac" ||
		rows[2][1] != "7 Frost" || !strings.HasPrefix(rows[2][6], "a loud word had no room left") {
		t.Errorf("%q", rows)
	}
	if got := Pickups(l, "tobias-wren"); len(got) != 1 || got[0].Reason != "the recording has a gap here" {
		t.Errorf("%+v", got)
	}
	for _, err := range []error{PickupsHTML(failing{}, o, l, "ines-marlow"), PickupsCSV(failing{}, l, "ines-marlow")} {
		if err == nil {
			t.Error("a full disk is not told")
		}
	}
}
