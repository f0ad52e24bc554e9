package render

import (
	"math"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dsptest"
	"chapterhouse/pipeline"
)

// laidOut is a file of parts as the playlist streams it.
func laidOut(t testing.TB, r pipeline.FileRecipe, parts ...[]float64) (*playlist, []float64) {
	t.Helper()
	pass := &chainPass{}
	for _, x := range parts {
		pass.spools = append(pass.spools, spooled(t, x))
	}
	p, err := newPlaylist(r, pass)
	if err != nil {
		t.Fatal(err)
	}
	var y []float64
	if err := p.stream(func(x []float64) error { y = append(y, x...); return nil }); err != nil {
		t.Fatal(err)
	}
	if dsp.Frames(len(y)) != p.frames {
		t.Fatalf("%d frames streamed, %d announced", len(y), p.frames)
	}
	return p, y
}

// Heads, bodies, pauses and tails are as long as was asked for, to the sample,
// and bodies are the recording's own samples.
func TestPlaylist(t *testing.T) {
	const rate = 44100
	x, z := room(1, 7*rate), room(2, 6*rate)
	for i := 2 * rate; i < 4*rate; i++ {
		x[i], z[i] = 0.1*math.Sin(float64(i)), 0.1*math.Cos(float64(i))
	}
	a := pipeline.FilePart{Cut: cutOf(rate, 2*rate, 4*rate, halfSeconds(rate, 5*rate, 4)...)}
	b := pipeline.FilePart{Cut: cutOf(rate, 2*rate, 4*rate+33, halfSeconds(rate, 5*rate, 2)...)}
	for _, c := range []struct{ head, pause, tail float64 }{
		{0.75, 1.2, 3}, {0, 0.5, 0}, {0.1234, 0.01, 1.77}, {1, 0.03, 1}, {1, 0.07, 1}, {1, 0.0999, 1}, {1, 0.1, 1},
		{1, 0.11, 1}, {3.5, 5, 9}, {1, 1 / 44100.0, 1}, {0, 0, 0}, {0.5, 0, 2},
	} {
		second := b
		second.Join.PauseS = c.pause
		p, y := laidOut(t, pipeline.FileRecipe{Parts: []pipeline.FilePart{a, second}, HeadS: c.head, TailS: c.tail}, x, z)
		n := func(s float64) int { return int(math.Round(s * rate)) }
		bodyA, bodyB := x[2*rate:4*rate], z[2*rate:4*rate+33]
		if c.pause == 0 { // end to start
			bodyA, bodyB = x[2*rate:], z[:4*rate+33]
		}
		if want := n(c.head) + len(bodyA) + n(c.pause) + len(bodyB) + n(c.tail); len(y) != want {
			t.Errorf("head %g, pause %g, tail %g: %d frames, want %d", c.head, c.pause, c.tail, len(y), want)
			continue
		}
		same(t, "first body", y[n(c.head):][:len(bodyA)], bodyA)
		same(t, "second body", y[n(c.head)+len(bodyA)+n(c.pause):][:len(bodyB)], bodyB)
		if at, run := stuck(y); run >= rate/100 {
			t.Errorf("head %g, pause %g, tail %g: %d equal samples at %d", c.head, c.pause, c.tail, run, at)
		}
		if c.head > 0 && c.tail > 0 && max(math.Abs(y[0]), math.Abs(y[len(y)-1])) > 1e-7 {
			t.Errorf("head %g, tail %g: the file starts at %g and ends at %g, want a fade", c.head, c.tail, y[0], y[len(y)-1])
		}
		if len(p.bare) > 0 {
			t.Errorf("parts %v are said to hold no room tone", p.bare)
		}
	}
}

// TestBodiesAsLaid: where recordings stand in a file, as its chapter's records
// tell, is where the playlist put them.
func TestBodiesAsLaid(t *testing.T) {
	const rate, sourceRate = 44100, 48000
	var parts [][]float64
	for i := range 3 {
		parts = append(parts, room(uint64(i+1), 7*rate))
	}
	spec := pipeline.Spec{Sound: pipeline.Sound{Edges: pipeline.Edges{HeadAimS: 0.75}}}
	for _, pauses := range [][2]float64{{1.2, 0.3}, {0, 0}, {0.5, 0}, {0, 0.5}} {
		r := pipeline.FileRecipe{HeadS: 0.75, TailS: 2}
		ch := pipeline.ChapterOutcome{Role: pipeline.RoleChapter}
		for i := range 3 {
			cut := cutOf(rate, 2*rate+777*i, 4*rate+99*i, halfSeconds(rate, 5*rate, 4)...)
			cut.SourceRateHz, cut.Span = sourceRate, pipeline.Span{From: 3 * sourceRate, To: 10 * sourceRate}
			cut.Source = pipeline.DigestOf([]byte{byte(i)})
			part := pipeline.FilePart{Cut: cut}
			if i > 0 {
				part.Join.PauseS = pauses[i-1]
			}
			r.Parts = append(r.Parts, part)
			ch.Parts = append(ch.Parts, pipeline.PartOutcome{Part: pipeline.Part{Join: part.Join}, Profile: pipeline.ProfileRecord{Cut: cut}})
		}
		p, _ := laidOut(t, r, parts...)
		laid, told := p.bodies(), ch.Bodies(spec)
		if len(laid) != 3 || len(told) != 3 {
			t.Fatalf("%d, %d", len(laid), len(told))
		}
		for i, a := range laid {
			b := told[i]
			if a.Source != b.Source || math.Abs(a.FileS-b.FileS) > 0.0101 || math.Abs(a.SourceS-b.SourceS) > 0.0101 || math.Abs(a.LengthS-b.LengthS) > 0.0101 {
				t.Errorf("pauses %v, part %d: laid %+v, told %+v", pauses, i+1, a, b)
			}
		}
	}
}

// A pause is the room after one part and the room before the next, each at its
// part's gain.
func TestPauseTakesBothRooms(t *testing.T) {
	const rate = 44100
	x, z := scaled(dsptest.Noise(1, 4*rate), -50), scaled(dsptest.Noise(2, 4*rate), -62)
	a := pipeline.FilePart{Cut: cutOf(rate, rate, 2*rate, halfSeconds(rate, 2*rate, 4)...), GainDB: -4}
	b := pipeline.FilePart{Cut: cutOf(rate, 2*rate, 3*rate, halfSeconds(rate, 0, 4)...), GainDB: 2, Join: pipeline.Join{PauseS: 2}}
	_, y := laidOut(t, pipeline.FileRecipe{Parts: []pipeline.FilePart{a, b}, TrimDB: 1}, x, z)
	for _, c := range []struct {
		name     string
		from, to int
		want     float64
	}{
		{"first body", 0, rate, rms(x) - 3}, {"first half of the pause", rate, rate * 19 / 10, rms(x) - 3},
		{"second half", rate*21/10 - 1, 3 * rate, rms(z) + 3}, {"second body", 3 * rate, 4 * rate, rms(z) + 3},
	} {
		if got := rms(y[c.from:c.to]); math.Abs(got-c.want) > 0.2 {
			t.Errorf("%s is at %.2f dBFS, want %.2f", c.name, got, c.want)
		}
	}
}

// A part without any room tone has faint noise for edges, at one level
// whatever its gain, is named, and is never digital silence.
func TestPartWithoutRoomTone(t *testing.T) {
	const rate = 44100
	x := make([]float64, 3*rate)
	copy(x[rate:2*rate], scaled(dsptest.Noise(1, rate), -20))
	a := pipeline.FilePart{Cut: cutOf(rate, rate, 2*rate), GainDB: -20}
	p, y := laidOut(t, pipeline.FileRecipe{Parts: []pipeline.FilePart{a}, HeadS: 0.75, TailS: 3}, x)
	if len(p.bare) != 1 || p.bare[0] != 0 {
		t.Errorf("parts %v hold no room tone, want the first", p.bare)
	}
	fade := rate / 50
	for _, edge := range [][]float64{y[fade : rate*3/4], y[rate*7/4 : len(y)-fade]} {
		if _, run := stuck(edge); run > 2 {
			t.Errorf("%d equal samples in an edge", run)
		}
		if l := rms(edge); math.Abs(l-bareDBFS) > 0.2 {
			t.Errorf("an edge at %.2f dBFS", l)
		}
	}
}

// place finds every frame of the file again in its source.
func TestPlace(t *testing.T) {
	const rate = 48000
	other := pipeline.DigestOf([]byte("another source"))
	a := pipeline.FilePart{Cut: cutOf(rate, rate, 2*rate, halfSeconds(rate, 0, 2)...)}
	a.Cut.SourceRateHz, a.Cut.Span = 44100, pipeline.Span{From: 44100 * 10, To: 44100 * 13}
	b := a
	b.Cut.Source, b.Cut.Span.From, b.Join.PauseS = other, 0, 0.5
	x := room(1, 3*rate)
	p, _ := laidOut(t, pipeline.FileRecipe{Parts: []pipeline.FilePart{a, b}, HeadS: 0.75, TailS: 1}, x, x)
	const head, pause = rate * 3 / 4, rate / 2
	for _, c := range []struct {
		frame  int
		source pipeline.Digest
		atS    float64
		ok     bool
	}{
		{0, "", 0, false}, {head - 1, "", 0, false},
		{head, someSource, 11, true}, {head + rate/4, someSource, 11.25, true}, {head + rate - 1, someSource, 12 - 1.0/rate, true},
		{head + rate, "", 0, false}, {head + rate + pause - 1, "", 0, false},
		{head + rate + pause, other, 1, true}, {head + 2*rate + pause - 1, other, 2 - 1.0/rate, true},
		{head + 2*rate + pause, "", 0, false}, {head + 3*rate + pause - 1, "", 0, false}, {head + 3*rate + pause, "", 0, false},
	} {
		source, atS, ok := p.place(dsp.Frames(c.frame))
		if ok != c.ok || ok && (source != c.source || math.Abs(atS-c.atS) > 1e-9) {
			t.Errorf("frame %d lies at %.6f s of %.4s (%t), want %.6f of %.4s (%t)", c.frame, atS, source, ok, c.atS, c.source, c.ok)
		}
	}
	// Joined end to start, the first part runs to its end and the second from its start.
	b.Join.PauseS = 0
	p, _ = laidOut(t, pipeline.FileRecipe{Parts: []pipeline.FilePart{a, b}, HeadS: 0.75, TailS: 1}, x, x)
	for frame, want := range map[int]float64{head: 11, head + 2*rate - 1: 13 - 1.0/rate, head + 2*rate: 0, head + 3*rate: 1} {
		if _, atS, ok := p.place(dsp.Frames(frame)); !ok || math.Abs(atS-want) > 1e-9 {
			t.Errorf("frame %d lies at %.6f s (%t), want %.6f", frame, atS, ok, want)
		}
	}
}

// An untouched second keeps its bytes: when the head gets longer, when the
// part before it changes, when a part is put in front.
func TestUntouchedPartKeepsItsBytes(t *testing.T) {
	const rate = 44100
	f := newJobFolder(t)
	x, z := narration(1, rate, 1, 3, 1), narration(2, rate, 1, 3, 1)
	first, _ := f.part(f.wav("first.wav", rate, 24, x), len(x), rate, nil)
	second, _ := f.part(f.wav("second.wav", rate, 24, z), len(z), rate, nil)
	second.Join.PauseS = 0.5
	body := int(second.Cut.Speech.Len())
	longer := fileOf(flac16, first, second)
	longer.File.HeadS = 0.8111
	changed := first
	changed.GainDB = -3
	cut := first
	cut.Cut.Span.To -= 20000
	cut.Cut.Speech.To -= 22000
	alone := fileOf(flac16, second)
	var want []float64
	for i, r := range []pipeline.Recipe{fileOf(flac16, first, second), longer, fileOf(flac16, changed, second), fileOf(flac16, cut, second), alone} {
		c := f.do(r)[0]
		if use := record[pipeline.FileRecord](t, c).Limiter; use.Share > 0 {
			t.Fatalf("the limiter works on %g of file %d: this test wants it idle", use.Share, i)
		}
		y := f.samples(c)[0]
		y = y[len(y)-3*rate-body : len(y)-3*rate]
		if i == 0 {
			want = y
			continue
		}
		same(t, "the untouched part", y, want)
	}
}

// Dither hangs on source and place, however the blocks are cut, and differs
// between a body and its edges.
func TestDithersFollowTheirSegments(t *testing.T) {
	const rate = 44100
	x := room(1, 3*rate)
	r := pipeline.FileRecipe{
		Parts: []pipeline.FilePart{{Cut: cutOf(rate, rate, 2*rate, halfSeconds(rate, 0, 2)...)}}, HeadS: 0.5, TailS: 1,
	}
	for _, outHz := range []int{44100, 48000, 22050} {
		var want []float64
		for _, size := range []int{1 << 20, 1, 7, 4096} {
			p, _ := laidOut(t, r, x)
			d, err := newDithers(p, 16, outHz)
			if err != nil {
				t.Fatal(err)
			}
			y := make([]float64, int(2.5*float64(outHz)))
			for at := 0; at < len(y); at += size {
				d.process(y[at:min(at+size, len(y))])
			}
			if want == nil {
				want = y
				continue
			}
			same(t, "dither", y, want)
		}
	}
}
