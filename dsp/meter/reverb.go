package meter

import (
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/spectrum"
)

// The decays that a room is known by, in hops of 10 ms.
const (
	reverbOctaves   = 4 // 500 Hz to 4 kHz
	reverbLowHz     = 500 / math.Sqrt2
	reverbDropHops  = 6  // a drop: what the level falls in 60 ms of falling
	reverbTailAfter = 4  // a tail begins when the level has fallen for 40 ms,
	reverbTailHops  = 10 // and is 100 ms long
	reverbOverDB    = 8.0
	reverbLeast     = 20 // drops and tails that tell something
)

// The shares of drops and tails that are less steep than the one that tells.
const (
	reverbDropShare = 0.90
	reverbTailShare = 0.75
)

const (
	reverbDropStepDB = 0.1
	reverbTailStepDB = 0.02 // in a hop
	reverbSteps      = 512
)

const (
	// ShortestReverbS is the shortest decay to -60 dB that Reverb tells: the decays
	// of a voice itself hide what is shorter.
	ShortestReverbS = 0.25
	// MostDirectDB is what Reverb says of a voice with no room to be heard; beyond,
	// drops tell of the voice and the room tone only.
	MostDirectDB = 25.0

	reverbDryDB  = 20.0 // a room of about 0.18 s
	reverbLiveDB = 14.0 // of about 0.3 s
)

// Reverb is how a room answers a voice, told by the voice alone: nothing can fall
// faster than the room lets it. It hears a power spectrum every 10 ms, of a Hann
// window of 23 to 47 ms, in octaves from 500 Hz to 4 kHz, and keeps how far each
// octave falls, as long as it falls and is 8 dB over the room tone.
//
// Drops over 60 ms, from wherever the level falls, are steep when nothing is left
// of the room, direct sound and tail alike: DirectDB, the mean over octaves of the
// drop that 90 % are under. Tails, after 40 ms of falling, are the room's alone
// where it is longer than a voice's own decays: Seconds, by the slope that 75 %
// are under.
//
// Tolerance: Seconds 0.1 s from 0.3 to 0.7 s where the tail is 12 dB under the voice
// or nearer; less than 0.25 s is not measurable. DirectDB of one voice in one booth
// varies by 0.7 dB at most from minute to minute, and by 10 dB from a room of 0.15 s to one of
// 0.35 s. The level of the recording makes no difference. Memory is constant.
//
// Source: statistics of free decays as in Löllmann, Yılmaz, Jeub and Vary, An
// improved algorithm for blind reverberation time estimation, IWAENC 2010; what
// counts as a decay, and the shares, are this project's own.
type Reverb struct {
	octaves [reverbOctaves]decay
	tails   [reverbSteps]int32
	hop     int64
	toned   bool
}

// Reverberation is what a Reverb heard.
type Reverberation struct {
	Seconds  float64 // to -60 dB; 0: not measurable, under ShortestReverbS
	DirectDB dsp.DB  // the drier the more, MostDirectDB at most; 0: too little was heard
}

// Class is the room in words: "dry", "some room", "live"; empty: not measured.
func (r Reverberation) Class() string {
	switch {
	case r.DirectDB == 0:
		return ""
	case r.DirectDB >= reverbDryDB:
		return "dry"
	case r.DirectDB >= reverbLiveDB:
		return "some room"
	}
	return "live"
}

// decay follows an octave's level down.
type decay struct {
	bins    [2]int
	least   float64 // power under which the room tone is heard
	last    float64
	falling int
	levels  [reverbTailHops + 1]float64 // dB, a ring
	drops   [reverbSteps]int32
}

// NewReverb prepares for spectra of size/2+1 bins in which a sine of full scale is
// 1 in the middle of its bin, and for a room tone in sixth octaves
// (spectrum.SixthOctaves, plain RMS). Without a tone nothing is told.
func NewReverb(rateHz, size int, tone []dsp.DBFS) *Reverb {
	r := &Reverb{toned: len(tone) > 0}
	for i := range r.octaves {
		low := float64(reverbLowHz * float64(int(1)<<i))
		o := &r.octaves[i]
		o.bins = binsOf(rateHz, size, low, 2*low)
		for k, b := range spectrum.SixthOctaves() {
			if k < len(tone) && b.Mid >= low && b.Mid < 2*low && !math.IsNaN(float64(tone[k])) && !math.IsInf(float64(tone[k]), 0) {
				o.least += kernel.FromPowerDB(float64(tone[k]) + reverbOverDB)
			}
		}
		o.least *= 3 // a sine's mean square is spread over 1.5 bins of this window
	}
	return r
}

// Write takes the next spectrum.
func (r *Reverb) Write(power []float64) {
	ring := int64(reverbTailHops + 1)
	at := int(r.hop % ring)
	for i := range r.octaves {
		o := &r.octaves[i]
		now := sumOf(power, o.bins)
		if r.hop > 0 && now <= o.last {
			o.falling++
		} else {
			o.falling = 0
		}
		o.last = now
		if now <= 0 {
			o.falling = 0
			continue
		}
		level := powerDB(now)
		o.levels[at] = level
		if now < o.least {
			continue
		}
		if o.falling >= reverbDropHops {
			drop := o.levels[(at+int(ring)-reverbDropHops)%int(ring)] - level
			o.drops[min(int(drop/reverbDropStepDB), reverbSteps-1)]++
		}
		if o.falling >= reverbTailAfter+reverbTailHops {
			slope := (o.levels[(at+int(ring)-reverbTailHops)%int(ring)] - level) / reverbTailHops
			r.tails[min(int(slope/reverbTailStepDB), reverbSteps-1)]++
		}
	}
	r.hop++
}

// Result is what was heard so far.
func (r *Reverb) Result() (out Reverberation) {
	if !r.toned {
		return out
	}
	var sum float64
	for i := range r.octaves {
		step, ok := stepOver(&r.octaves[i].drops, reverbDropShare)
		if !ok {
			return out
		}
		sum += float64(min(step*reverbDropStepDB, 2*MostDirectDB))
	}
	out.DirectDB = dsp.DB(dsp.Round2(min(sum/reverbOctaves, MostDirectDB)))
	if step, ok := stepOver(&r.tails, reverbTailShare); ok && out.Class() != "dry" {
		if s := dsp.Round2(0.6 / (step * reverbTailStepDB)); s >= ShortestReverbS {
			out.Seconds = s
		}
	}
	return out
}

// stepOver is the step that a share of what was counted is under, with its part;
// false where too little was counted.
func stepOver(counts *[reverbSteps]int32, share float64) (float64, bool) {
	all := 0
	for _, n := range counts {
		all += int(n)
	}
	if all < reverbLeast {
		return 0, false
	}
	left := float64(share * float64(all))
	for i, n := range counts {
		if float64(n) >= left {
			return float64(i) + left/float64(n), true
		}
		left -= float64(n)
	}
	return reverbSteps, true
}
