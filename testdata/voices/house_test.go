package main

import (
	"crypto/sha256"
	"encoding/hex"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

const houseDir = "../house"

// TestHouseComesAgainFromItsSeeds makes one of the committed files anew and
// compares every sample: no seed, voice or room may change without the files.
func TestHouseComesAgainFromItsSeeds(t *testing.T) {
	const name = "titles/eleven-tide-gates/05-the-crossing-ines.flac"
	if _, err := exec.LookPath("flac"); err != nil {
		if os.Getenv("CHAPTERHOUSE_REQUIRE") == "all" {
			t.Fatal("the flac program is not installed")
		}
		t.Skip("the flac program is not installed: committed samples can't be read")
	}
	for _, take := range houseTakes() {
		if take.path != name {
			continue
		}
		anew := filepath.Join(t.TempDir(), "anew.wav")
		if _, err := take.order.narrate(anew); err != nil {
			t.Fatal(err)
		}
		committed := filepath.Join(t.TempDir(), "committed.wav")
		if out, err := exec.Command("flac", "--silent", "--decode", "--output-name="+committed, filepath.Join(houseDir, name)).CombinedOutput(); err != nil {
			t.Fatalf("flac: %v: %s", err, out)
		}
		if a, b := samplesDigest(t, anew), samplesDigest(t, committed); a != b {
			t.Errorf("%s: samples from the seed have digest %s, committed ones %s; run `go run ./testdata/voices -house testdata/house`", name, a, b)
		}
		return
	}
	t.Fatalf("no take of the house is called %s", name)
}

// samplesDigest is the digest of a WAV file's data chunk.
func samplesDigest(t *testing.T, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for at := 12; at+8 <= len(b); {
		size := int(b[at+4]) | int(b[at+5])<<8 | int(b[at+6])<<16 | int(b[at+7])<<24
		if string(b[at:at+4]) == "data" {
			sum := sha256.Sum256(b[at+8 : at+8+size])
			return hex.EncodeToString(sum[:])
		}
		at += 8 + size + size&1
	}
	t.Fatalf("%s has no data chunk", path)
	return ""
}
