package codec

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"chapterhouse/pipeline"
)

// program returns the path of an outside program, or skips the test.
func program(t testing.TB, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err == nil {
		return path
	}
	if os.Getenv("CHAPTERHOUSE_REQUIRE") == "all" {
		t.Fatalf("%s is not installed and CHAPTERHOUSE_REQUIRE=all", name)
	}
	t.Skipf("%s is not installed: this comparison is left out", name)
	return ""
}

// run runs an outside program and returns its standard output.
func run(t testing.TB, name string, args ...string) []byte {
	t.Helper()
	cmd := exec.Command(program(t, name), args...)
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Run(); err != nil {
		t.Fatalf("%s %v: %v\n%s", name, args, err, errs.Bytes())
	}
	return out.Bytes()
}

// speechLike is frames of a gliding, swelling tone over noise, full scale ±1,
// with the corners of the range in its first frames.
func speechLike(channels, frames int) [][]float64 {
	rng := rand.New(rand.NewPCG(7, 11))
	ch := make([][]float64, channels)
	for c := range ch {
		ch[c] = make([]float64, frames)
		phase := float64(c)
		for i := range ch[c] {
			t := float64(i) / 44100
			phase += 2 * math.Pi * (140 + 40*math.Sin(2*math.Pi*0.7*t)) / 44100
			swell := 0.5 + 0.5*math.Sin(2*math.Pi*2.3*t)
			ch[c][i] = 0.2*swell*(math.Sin(phase)+0.4*math.Sin(3*phase)+0.2*math.Sin(9*phase)) + 0.001*rng.NormFloat64()
		}
		if frames > 8 {
			copy(ch[c], []float64{0, 1, -1, 0x1p-23, -0x1p-23, 0.5, -0.5, 0x1p-15})
		}
	}
	return ch
}

// onGrid rounds to n/2^(bits-1), clipped.
func onGrid(ch [][]float64, bits int) [][]float64 {
	scale := float64(int64(1) << (bits - 1))
	out := make([][]float64, len(ch))
	for c := range ch {
		out[c] = make([]float64, len(ch[c]))
		for i, x := range ch[c] {
			out[c][i] = min(max(math.RoundToEven(x*scale), -scale), scale-1) / scale
		}
	}
	return out
}

// raw is ch as interleaved little-endian samples: integers of 8 (unsigned),
// 16, 24 or 32 bits, or floats.
func raw(ch [][]float64, bits int, float bool) []byte {
	var b []byte
	le := binary.LittleEndian
	for i := range ch[0] {
		for c := range ch {
			x := ch[c][i]
			n := int64(x * float64(int64(1)<<(bits-1)))
			switch {
			case float && bits == 32:
				b = le.AppendUint32(b, math.Float32bits(float32(x)))
			case float:
				b = le.AppendUint64(b, math.Float64bits(x))
			case bits == 8:
				b = append(b, byte(n+128))
			case bits == 16:
				b = le.AppendUint16(b, uint16(n))
			case bits == 24:
				b = append(b, byte(n), byte(n>>8), byte(n>>16))
			case bits == 32:
				b = le.AppendUint32(b, uint32(n))
			}
		}
	}
	return b
}

// readAll decodes a reader in blocks of an awkward size.
func readAll(t testing.TB, r *Reader, block int) [][]float64 {
	t.Helper()
	n := r.Info().Channels
	out, buf, view := make([][]float64, n), make([][]float64, n), make([][]float64, n)
	for c := range buf {
		buf[c] = make([]float64, block)
	}
	copy(view, buf)
	for {
		m, err := r.Read(view)
		for c := range out {
			out[c] = append(out[c], buf[c][:m]...)
		}
		if err == io.EOF {
			return out
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

func openTest(t testing.TB, path string) *Reader {
	t.Helper()
	r, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close() })
	return r
}

func same(t testing.TB, what string, got, want [][]float64) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%s: %d channels, want %d", what, len(got), len(want))
	}
	for c := range want {
		if len(got[c]) != len(want[c]) {
			t.Fatalf("%s: %d frames in channel %d, want %d", what, len(got[c]), c, len(want[c]))
		}
		for i := range want[c] {
			if got[c][i] != want[c][i] {
				t.Fatalf("%s: channel %d frame %d is %g, want %g", what, c, i, got[c][i], want[c][i])
			}
		}
	}
}

func writeFile(t testing.TB, name string, b []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, b, 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

func isSource(err error) bool {
	var e *pipeline.Error
	return errors.As(err, &e) && e.Kind == pipeline.Source
}
