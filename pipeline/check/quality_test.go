package check

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/codec"
)

// clips is how many recordings of voices that nothing was tuned on the tables
// are made of; `-clips 24` takes minutes and prints what is quoted.
var (
	clips  = flag.Int("clips", 1, "recordings for each table")
	tuning = flag.Bool("tuning", false, "make the tables of the voices that limits are chosen on")
)

// A made recording is a clean one with something done to it by a program from
// outside; $IN and $OUT stand for the files, $TMP for a name of its own.
type made struct {
	name   string
	shell  string
	weight pipeline.Verdict // that must be found, or "any"; "": nothing must
	// least is the share of recordings in which it must be found, or, where
	// nothing must, in which it may.
	least float64
}

// voicesForTables are those that no limit was chosen on.
var voicesForTables, voicesForTuning = [...]string{"marlow", "wren", "tansy", "birch"}, [...]string{"alder", "quill", "sorrel", "heron"}

// rooms are from a poor to a very quiet one: rumble, room, hiss in dBFS.
var rooms = [...]string{"brown:-72,pink:-75,hiss:-84", "brown:-66,pink:-64,hiss:-76", "brown:-80,pink:-84,hiss:-94", "brown:-70,traffic:-68,hiss:-88"}

// table makes recordings, listens to each and prints how often a check found
// something, and of what weight, beside what it must.
func table(t *testing.T, c Check, seconds int, rows []made) {
	t.Helper()
	for _, program := range []string{"ffmpeg", "sox", "lame"} {
		if _, err := exec.LookPath(program); err != nil {
			if os.Getenv("CHAPTERHOUSE_REQUIRE") == "all" {
				t.Fatalf("%s is not installed, and CHAPTERHOUSE_REQUIRE=all wants it", program)
			}
			t.Skipf("%s is not installed: install the package %s", program, program)
		}
	}
	dir := t.TempDir()
	speaker := filepath.Join(dir, "voices")
	sh(t, "go build -o '"+speaker+"' chapterhouse/testdata/voices")
	var clean []string
	who, seed := voicesForTables, 8100
	if *tuning {
		who, seed = voicesForTuning, 100
	}
	for i := range *clips {
		path := filepath.Join(dir, fmt.Sprintf("clean%d.wav", i))
		sh(t, fmt.Sprintf("'%s' -voice %s -seed %d -noise %s -minutes %.2f -out '%s'",
			speaker, who[i%len(who)], seed+i, rooms[(i+i/4)%len(rooms)], float64(seconds)/60, path))
		clean = append(clean, path)
	}
	for _, r := range rows {
		found := map[pipeline.Verdict]int{}
		var said string
		var mu sync.Mutex
		var wait sync.WaitGroup
		for i, in := range clean {
			wait.Go(func() {
				out := strings.TrimSuffix(in, ".wav") + "-made.wav"
				if r.shell == "" {
					out = in
				} else {
					sh(t, strings.NewReplacer("$IN", "'"+in+"'", "$OUT", "'"+out+"'", "$TMP", "'"+out+".part'").Replace(r.shell))
				}
				rate, x := firstChannel(t, out)
				stretches := hear(c, rate, x, 4096)
				if r.shell != "" {
					// once is enough for how it is cut into blocks
				} else if again := hear(c, rate, x, 1009); len(again) != len(stretches) || len(again) > 0 && again[0] != stretches[0] {
					t.Errorf("%s, clip %d: %+v in other blocks, %+v", r.name, i, again, stretches)
				}
				mu.Lock()
				defer mu.Unlock()
				for _, s := range stretches {
					found[s.Weight]++
					said = s.Measured
				}
			})
		}
		wait.Wait()
		n := float64(len(clean))
		t.Logf("%-34s listen %3.0f %%  notice %3.0f %%  %s", r.name, 100*float64(found[pipeline.Listen])/n, 100*float64(found[pipeline.Ready])/n, said)
		switch any := float64(found[pipeline.Listen]+found[pipeline.Ready]) / n; {
		case r.weight == "" && any > r.least:
			t.Errorf("%s: found in %.0f %%, and at most %.0f %% may be", r.name, 100*any, 100*r.least)
		case r.weight == "any" && any < r.least:
			t.Errorf("%s: found in %.0f %%, and at least %.0f %% must be", r.name, 100*any, 100*r.least)
		case r.weight != "" && r.weight != "any" && float64(found[r.weight])/n < r.least:
			t.Errorf("%s: %s in %.0f %%, and at least %.0f %% must be", r.name, r.weight, 100*float64(found[r.weight])/n, 100*r.least)
		}
	}
}

func sh(t *testing.T, command string) {
	if out, err := exec.CommandContext(context.Background(), "sh", "-c", command).CombinedOutput(); err != nil {
		t.Errorf("%s: %v\n%s", command, err, out)
	}
}

func firstChannel(t *testing.T, path string) (rateHz int, x []float64) {
	src, err := codec.Open(path)
	if err != nil {
		t.Error(err)
		return 44100, nil
	}
	defer src.Close()
	ch := make([][]float64, src.Info().Channels)
	for c := range ch {
		ch[c] = make([]float64, 8192)
	}
	for {
		n, err := src.Read(ch)
		x = append(x, ch[0][:n]...)
		if err != nil {
			if !errors.Is(err, io.EOF) {
				t.Error(err)
			}
			return src.Info().RateHz, x
		}
	}
}

// Files that were once lossy, and such as look a little like it.
func TestLossy(t *testing.T) {
	lame := func(kbps int, back string) string {
		return fmt.Sprintf("lame --quiet -b %d $IN $TMP && %s && rm $TMP", kbps, back)
	}
	const plain, float = "lame --quiet --decode --mp3input $TMP $OUT", "ffmpeg -y -v error -f mp3 -i $TMP -c:a pcm_s24le $OUT"
	through := func(codec, format, back string) string {
		return fmt.Sprintf("ffmpeg -y -v error -i $IN -c:a %s -f %s $TMP && ffmpeg -y -v error -i $TMP -c:a %s -ar 44100 $OUT && rm $TMP", codec, format, back)
	}
	table(t, onceLossy(), 12, []made{
		{"clean, 24 bits", "", "", 0},
		{"clean, 16 bits", "sox -D $IN -b 16 $OUT dither", "", 0},
		{"dark: -20 dB from 4 kHz", "sox -D $IN $OUT treble -20 4000", "", 0},
		{"bright: +8 dB from 6 kHz", "sox -D -v 0.3 $IN $OUT treble 8 6000", "", 0},
		{"low-pass, 24 dB/octave at 9 kHz", "sox -D $IN $OUT lowpass 9000 lowpass 9000", "", 0},
		{"low-pass, 48 dB/octave at 12 kHz", "sox -D $IN $OUT lowpass 12000 lowpass 12000 lowpass 12000 lowpass 12000", "", 0},
		{"resampled from 48 kHz, 16 bits", "sox -D $IN -r 48000 $TMP.wav && sox -D $TMP.wav -b 16 -r 44100 $OUT && rm $TMP.wav", "", 0},
		{"MP3 64 kbit/s, 16 bits", lame(64, plain), pipeline.Listen, 1},
		{"MP3 64 kbit/s, 24 bits", lame(64, float), pipeline.Listen, 1},
		{"MP3 96 kbit/s, 16 bits", lame(96, plain), pipeline.Listen, 1},
		{"MP3 128 kbit/s, 16 bits", lame(128, plain), "any", 1},
		{"MP3 128 kbit/s, 24 bits", lame(128, float), "any", 1},
		{"MP3 192 kbit/s, 16 bits", lame(192, plain), pipeline.Ready, 0.5},
		{"MP3 192 kbit/s, 24 bits", lame(192, float), pipeline.Ready, 0.5},
		{"AAC 64 kbit/s, 16 bits", through("aac -b:a 64k", "adts", "pcm_s16le"), pipeline.Listen, 1},
		{"AAC 96 kbit/s, 16 bits", through("aac -b:a 96k", "adts", "pcm_s16le"), pipeline.Listen, 1},
		{"AAC 128 kbit/s, 24 bits (no trace)", through("aac -b:a 128k", "adts", "pcm_s24le"), "", 1},
		{"Vorbis 96 kbit/s, 16 bits", through("libvorbis -b:a 96k", "ogg", "pcm_s16le"), pipeline.Listen, 0.5},
		{"Opus 64 kbit/s, 16 bits", through("libopus -b:a 64k", "ogg", "pcm_s16le"), pipeline.Ready, 0.5},
		{"converted from 32 kHz", "sox -D $IN -r 32000 $TMP.wav && sox -D $TMP.wav -r 44100 $OUT && rm $TMP.wav", pipeline.Listen, 1},
		{"converted from 22.05 kHz", "sox -D $IN -r 22050 $TMP.wav && sox -D $TMP.wav -r 48000 $OUT && rm $TMP.wav", pipeline.Listen, 1},
	})
}

// Files that a gate was over, and such as have a room that moves.
func TestGated(t *testing.T) {
	ff := func(filter string, bits int) string {
		return fmt.Sprintf("ffmpeg -y -v error -i $IN -af '%s' -c:a pcm_s%dle $OUT", filter, bits)
	}
	const gate = "agate=threshold=0.003:ratio=9000:attack=5:release=100:range="
	table(t, gated(), 16, []made{
		{"clean, 24 bits", "", "", 0},
		{"clean, 16 bits", "sox -D $IN -b 16 $OUT dither", "", 0},
		{"rumble cut, 24 dB/octave at 80 Hz", ff("highpass=80,highpass=80", 24), "", 0},
		{"rumble cut, 16 bits", ff("highpass=80,highpass=80", 16), "", 0},
		{"compressed 4:1", ff("acompressor=threshold=-24dB:ratio=4:attack=5:release=150", 24), "", 0},
		{"two gains, 6 dB apart", ff("volume=if(lt(t\\,10)\\,0.5\\,1):eval=frame", 24), "", 0},
		{"bright: +8 dB from 6 kHz", "sox -D -v 0.3 $IN $OUT treble 8 6000", "", 0},
		{"expander 6 dB deep", ff("agate=threshold=0.004:ratio=1.5:range=0.5:attack=10:release=200", 24), "", 0},
		{"expander 20 dB deep, 2:1", ff("agate=threshold=0.004:ratio=2:range=0.1:attack=10:release=200", 24), pipeline.Listen, 0.75},
		{"gate 12 dB deep", ff(gate+"0.25", 24), pipeline.Listen, 0},
		{"gate 20 dB deep", ff(gate+"0.1", 24), pipeline.Listen, 0.75},
		{"gate 40 dB deep", ff(gate+"0.01", 24), pipeline.Listen, 0.75},
		{"gate 40 dB deep, 16 bits", ff(gate+"0.01", 16), pipeline.Listen, 0.75},
		{"gate, digital black", ff(gate+"0", 16), pipeline.Listen, 0.75},
		{"gate, black, then dither", "sox -D $IN $TMP.wav && ffmpeg -y -v error -i $TMP.wav -af '" + gate + "0' -c:a pcm_s24le $TMP.2.wav && sox -D $TMP.2.wav -b 16 $OUT dither && rm $TMP.wav $TMP.2.wav", pipeline.Listen, 0},
	})
}

// Files that a limiter was over, and such as are loud without.
func TestLimited(t *testing.T) {
	// under is a command with $L, a level so many decibels under the clean file's peak.
	under := func(db int, command string) string {
		return fmt.Sprintf(`L=$(sox $IN -n stats 2>&1 | awk '/Pk lev/{print 10^(($4-%d)/20)}') && `, db) + command
	}
	limiter := func(db int) string {
		return under(db, `ffmpeg -y -v error -i $IN -af "alimiter=limit=$L:level=disabled:attack=5:release=50" -c:a pcm_s24le $OUT`)
	}
	ff := func(filter string) string {
		return "ffmpeg -y -v error -i $IN -af '" + filter + "' -c:a pcm_s24le $OUT"
	}
	table(t, limitedPeaks(), 40, []made{
		{"clean", "", "", 0},
		{"clean, 16 bits", "sox -D $IN -b 16 $OUT dither", "", 0},
		{"compressed 4:1", ff("acompressor=threshold=-24dB:ratio=4:attack=5:release=150"), "", 0},
		{"compressed 12:1", ff("acompressor=threshold=-30dB:ratio=12:attack=1:release=60"), "", 0},
		{"rounded off (tanh)", ff("asoftclip=tanh"), "", 0},
		{"clipped 6 dB over full scale", ff("volume=6dB"), "", 0},
		{"limited by 1 dB", limiter(1), pipeline.Ready, 0},
		{"limited by 2 dB", limiter(2), pipeline.Ready, 0},
		{"limited by 4 dB", limiter(4), pipeline.Ready, 0},
		{"limited by 8 dB", limiter(8), pipeline.Ready, 1},
		{"limited by 8 dB, then to 48 kHz", limiter(8) + " && mv $OUT $TMP.wav && sox -D $TMP.wav -r 48000 $OUT && rm $TMP.wav", pipeline.Ready, 0},
		{"limited by 8 dB, then a high-pass", limiter(8) + " && mv $OUT $TMP.wav && sox -D $TMP.wav $OUT highpass 60 && rm $TMP.wav", pipeline.Ready, 0},
	})
}

// What is too short says so once, and what is at a rate too low is that.
func TestQualityOfLittle(t *testing.T) {
	x := scaledNoise(1, 4*44100, 0.1)
	for _, c := range []Check{onceLossy(), gated(), limitedPeaks(), tooShort()} {
		found := hear(c, 44100, x, 4096)
		if c.Name == "too-short" {
			if len(found) != 1 || found[0].Weight != pipeline.Ready || !strings.HasPrefix(found[0].Measured, "can't tell from 4.0 s ") {
				t.Errorf("%s: %+v", c.Name, found)
			}
		} else if len(found) > 0 {
			t.Errorf("%s: %+v", c.Name, found)
		}
		if found := hear(c, 44100, make([]float64, 10*44100), 4096); len(found) > 0 {
			t.Errorf("%s of nothing: %+v", c.Name, found)
		}
	}
	for rate, want := range map[int]int{8000: 1, 16000: 1, 22050: 1, 24000: 1, 32000: 0, 44100: 0, 192000: 0} {
		if found := hear(lowRate(), rate, nil, 1); len(found) != want {
			t.Errorf("%d Hz: %+v", rate, found)
		}
		for _, c := range []Check{onceLossy(), gated(), limitedPeaks()} { // no rate is out of their reach
			_ = hear(c, rate, scaledNoise(2, 6*rate, 0.1), 4096)
		}
	}
}
