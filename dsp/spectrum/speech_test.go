package spectrum

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"
)

// TestSpeech holds the table to Byrne et al. 1994, and its bands to their names
// there.
func TestSpeech(t *testing.T) {
	f, err := os.Open(filepath.Join("..", "..", "testdata", "reference", "byrne1994_ltass.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	speech, bands := Speech(), ThirdOctaves()
	if len(rows)-1 != len(speech) {
		t.Fatalf("%d bands are published, %d are here", len(rows)-1, len(speech))
	}
	for i, row := range rows[1:] {
		hz, err := strconv.ParseFloat(row[0], 64)
		if at := bands[SpeechFirst+i].Mid; err != nil || math.Abs(hz/at-1) > 0.02 || row[2] != strconv.FormatFloat(speech[i], 'f', 1, 64) {
			t.Errorf("%.1f Hz %v dB, published is %v", at, speech[i], row)
		}
	}
}
