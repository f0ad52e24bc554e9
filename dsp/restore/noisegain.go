package restore

import (
	"math"

	"chapterhouse/dsp/kernel"
)

// What the gain rule was fixed at, on tuning voices and their kinds of noise.
const (
	quietSmoothing  = 0.98 // a where nobody speaks (Ephraim and Malah 1984)
	spokenSmoothing = 0.4  // a where somebody does
	frameSmoothing  = 0.6  // of the mean over frames
	speechSNRDB     = 12.0 // ξ1
	evidence        = 4.0  // r: independent values that a mean is counted as
	lowestSNR       = 0.01 // of ξ
	enoughSNR       = 20.0 // of γ in S, so that loud words are forgotten as soon as soft ones
	highestSNR      = 1e8  // of γ: beyond, nothing changes
	leastNoise      = 1e-24
)

// A gainRule lowers the bins of one spectrum after the other.
type gainRule struct {
	perNoise []float64 // 1/λ
	from, to []int     // bins of each bin's mean
	lowestDB float64
	log      *logGain
	drift    *drift

	now, ahead  []float64 // γ
	smooth      []float64 // mean over frames, against the profile's noise
	sums        []float64 // running sum of smooth over bins
	before      []float64 // G²γ of the frame before
	means       []float64 // S, against the profile's noise
	spoken      []float64 // p
	suppression []float64 // v, then dB
	wiener      []float64 // ξ/(1+ξ), then dB
	gain        []float64 // dB, then amplitude
}

func newGainRule(noise []float64, reductionDB, hopsPerS float64) *gainRule {
	r := &gainRule{lowestDB: -reductionDB, log: newLogGain(), drift: newDrift(len(noise), hopsPerS)}
	for _, v := range []*[]float64{&r.perNoise, &r.now, &r.ahead, &r.smooth, &r.before, &r.means, &r.spoken, &r.suppression, &r.wiener, &r.gain} {
		*v = make([]float64, len(noise))
	}
	r.sums = make([]float64, len(noise)+1)
	r.from, r.to = make([]int, len(noise)), make([]int, len(noise))
	for k, power := range noise {
		r.perNoise[k] = 1 / math.Max(power, leastNoise)
		reach := min(3+k/8, 12)
		r.from[k], r.to[k] = max(0, k-reach), min(len(noise), k+reach+1)
	}
	return r
}

func (r *gainRule) reset() {
	for _, v := range [][]float64{r.now, r.ahead, r.smooth, r.before} {
		clear(v)
	}
	r.drift.reset()
}

// apply lowers the bins of x. ahead is the spectrum that comes next. It tells
// by how many dB the power of the whole frame was lowered.
func (r *gainRule) apply(x, ahead []complex128) (gainDB float64) {
	r.now, r.ahead = r.ahead, r.now
	const normal = 1e-20 // keeps what fades from becoming slow to reckon with
	for k, v := range ahead {
		power := float64(real(v)*real(v)) + float64(imag(v)*imag(v))
		snr := float64(power*r.perNoise[k]) + normal
		if snr > highestSNR {
			snr = highestSNR
		}
		grown := r.drift.grown[k]
		r.ahead[k] = snr / grown
		if most := enoughSNR * grown; snr > most {
			snr = most
		}
		r.smooth[k] = float64(frameSmoothing*r.smooth[k]) + float64((1-frameSmoothing)*snr)
		r.sums[k+1] = r.sums[k] + r.smooth[k]
	}
	r.hear()
	for k, snr := range r.now {
		a := quietSmoothing - float64((quietSmoothing-spokenSmoothing)*r.spoken[k])
		excess := snr - 1
		if excess < 0 {
			excess = 0
		}
		prior := float64(a*r.before[k]) + float64((1-a)*excess)
		if prior < lowestSNR {
			prior = lowestSNR
		}
		w := prior / (1 + prior)
		r.wiener[k], r.suppression[k] = w, float64(w*snr)
	}
	kernel.PowersToDB(r.wiener, r.wiener)
	kernel.PowersToDB(r.suppression, r.suppression)
	for k, p := range r.spoken {
		db := 2*r.wiener[k] + r.log.boostDB(r.suppression[k])
		if db > 0 {
			db = 0
		}
		if db < r.lowestDB {
			db = r.lowestDB
		}
		r.gain[k] = r.lowestDB + float64(p*(db-r.lowestDB))
	}
	kernel.DBToAmplitudes(r.gain, r.gain)
	var in, out float64
	for k, g := range r.gain {
		re, im := real(x[k]), imag(x[k])
		power, square := float64(re*re)+float64(im*im), float64(g*g)
		in += power
		out += float64(square * power)
		r.before[k] = float64(square * r.now[k])
		x[k] = complex(g*re, g*im)
	}
	if in < leastNoise {
		return 0
	}
	return kernel.PowerDB(out / in)
}

// hear tells for each bin how likely it is that somebody speaks there.
func (r *gainRule) hear() {
	speech := kernel.FromPowerDB(speechSNRDB)
	const twiceDB = 2 * 10 / math.Ln10 // of a natural logarithm of a ratio of powers
	slope, start := twiceDB*evidence*speech/(1+speech), twiceDB*evidence*kernel.Log(1+speech)
	for k, from := range r.from {
		to := r.to[k]
		mean := (r.sums[to] - r.sums[from]) / float64(to-from)
		r.means[k] = mean
		odds := float64(slope*(mean/r.drift.grown[k])) - start
		if odds > 2000 {
			odds = 2000
		}
		r.spoken[k] = odds
	}
	r.drift.hear(r.means)
	kernel.DBToAmplitudes(r.spoken, r.spoken)
	for k, odds := range r.spoken {
		r.spoken[k] = odds / (1 + odds)
	}
}

// A logGain holds exp(E1(v)/2) in dB over v in dB, a quarter of a decibel
// apart: between them the error is below 0.001 dB.
type logGain struct{ table []float64 }

const (
	lowestBoostDB  = -60
	highestBoostDB = 20 // above, nothing is left of it
	boostsPerDB    = 4
)

func newLogGain() *logGain {
	l := &logGain{table: make([]float64, (highestBoostDB-lowestBoostDB)*boostsPerDB+1)}
	for i := range l.table {
		l.table[i] = 10 / math.Ln10 * kernel.ExpIntegral(kernel.FromPowerDB(lowestBoostDB+float64(float64(i)/boostsPerDB)))
	}
	return l
}

func (l *logGain) boostDB(vDB float64) float64 {
	at := (vDB - lowestBoostDB) * boostsPerDB
	if at >= float64(len(l.table)-1) {
		return 0
	}
	if at < 0 {
		at = 0
	}
	i := int(at)
	return l.table[i] + float64((at-float64(i))*(l.table[i+1]-l.table[i]))
}
