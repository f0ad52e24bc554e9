package meter

import (
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
)

// Levels is what a Meter read, rounded to hundredths. Silence is −Inf; what
// could not be measured is NaN.
type Levels struct {
	RMS          dsp.DBFS   `json:"rms_dbfs"`         // plain, DC included: a full-scale sine reads −3.01; of several channels the mean of their energies
	AES17        dsp.DBFS   `json:"aes17_dbfs"`       // RMS + 3.01 dB: a full-scale sine reads 0
	SamplePeak   dsp.DBFS   `json:"sample_peak_dbfs"` // largest of all channels
	TruePeak     dsp.DBTP   `json:"true_peak_dbtp"`   // 8 times oversampled, ITU-R BS.1770-5 Annex 2; largest of all channels
	Integrated   dsp.LUFS   `json:"integrated_lufs"`  // gated; NaN below 400 ms, −Inf where all is below −70 LUFS
	RangeLU      dsp.DB     `json:"range_lu"`         // EBU Tech 3342; NaN below 3 s, unsteady below a minute
	MaxMomentary dsp.LUFS   `json:"max_momentary_lufs"`
	MaxShortTerm dsp.LUFS   `json:"max_short_term_lufs"`
	Speech       dsp.DBFS   `json:"speech_dbfs"` // active level, ITU-T P.56 method B, plain RMS; of the mean of the channels
	Activity     float64    `json:"activity"`    // share of the time that speech is active, 0 to 1 (P.56)
	DC           dsp.DBFS   `json:"dc_dbfs"`     // magnitude of the mean; largest of all channels
	CrestDB      dsp.DB     `json:"crest_db"`    // sample peak over RMS; NaN for silence
	Frames       dsp.Frames `json:"frames"`
	Channels     int        `json:"channels,omitempty"` // where there are more than one

	// For pooling: what adds up over chapters.
	SumSquares  float64 `json:"sum_squares"`  // mean over the channels; over Frames it is the square of RMS
	GatedBlocks int     `json:"gated_blocks"` // 400 ms blocks that Integrated is the mean energy of
}

// A Meter reads Levels from a stream of samples.
type Meter struct {
	frames    dsp.Frames
	amplitude []amplitude        // of each channel
	truePeak  []*kernel.TruePeak // of each channel
	loudness  *Loudness
	speech    speech
	spoken    amplitude   // of the mean of the channels, where there are several
	pending   [][]float64 // of each channel the frames that do not fill a hop yet
	held      int         // frames in pending
	block     [][]float64 // of each channel the hop being measured
	mix       []float64   // a hop of the mean of the channels
}

// New returns a meter; ChannelWeights says which channels are which.
func New(rateHz, channels int) *Meter {
	m := &Meter{
		amplitude: make([]amplitude, channels),
		loudness:  NewLoudness(rateHz, ChannelWeights(channels)...),
		speech:    newSpeech(rateHz),
		block:     make([][]float64, channels),
	}
	m.mix = make([]float64, m.loudness.hop)
	for range channels {
		m.truePeak = append(m.truePeak, kernel.NewTruePeak())
		m.pending = append(m.pending, make([]float64, m.loudness.hop))
	}
	return m
}

// Write takes the next samples, one slice of the same length for each channel.
func (m *Meter) Write(ch ...[]float64) {
	n, hop := len(ch[0]), m.loudness.hop
	m.frames += dsp.Frames(n)
	for from := 0; from < n; {
		if m.held == 0 && n-from >= hop {
			for c := range ch {
				m.block[c] = ch[c][from : from+hop]
			}
			m.measure()
			from += hop
			continue
		}
		taken := min(hop-m.held, n-from)
		for c := range ch {
			copy(m.pending[c][m.held:], ch[c][from:from+taken])
		}
		m.held, from = m.held+taken, from+taken
		if m.held == hop {
			copy(m.block, m.pending)
			m.measure()
			m.held = 0
		}
	}
}

// measure takes the hop in block.
func (m *Meter) measure() {
	for c, x := range m.block {
		m.amplitude[c].add(x)
		m.truePeak[c].Write(x)
	}
	m.loudness.add(m.block)
	m.speech.add(m.mean(m.block, &m.spoken))
}

// mean is the mean of the channels; where there are several, sum notes it.
func (m *Meter) mean(ch [][]float64, sum *amplitude) []float64 {
	if len(ch) == 1 {
		return ch[0]
	}
	mix := m.mix[:len(ch[0])]
	for i := range mix {
		var v float64
		for _, x := range ch {
			v += x[i]
		}
		mix[i] = v / float64(len(ch))
	}
	sum.add(mix)
	return mix
}

// Levels is what was written so far. More may be written afterwards.
func (m *Meter) Levels() Levels {
	// The frames of the last, unfinished hop count for everything but loudness,
	// which leaves an unfinished block out.
	rest := make([][]float64, len(m.pending))
	for c := range rest {
		rest[c] = m.pending[c][:m.held]
	}
	speech, spoken := m.speech, m.spoken
	speech.add(m.mean(rest, &spoken))

	var sum, peak, truePeak, dc float64
	for c, a := range m.amplitude {
		a.add(rest[c])
		sum += a.squares / float64(len(m.amplitude))
		peak = max(peak, math.Float64frombits(a.peak))
		dc = max(dc, math.Abs(a.sum)/float64(m.frames))
		tp := *m.truePeak[c]
		tp.Write(rest[c])
		truePeak = max(truePeak, tp.Peak())
	}
	if len(m.amplitude) == 1 {
		spoken.squares = sum
	}
	if m.frames == 0 {
		peak, truePeak = math.NaN(), math.NaN()
	}
	rms := powerDB(sum / float64(m.frames))
	integrated, gated := m.loudness.Integrated()
	active, activity := speech.level(spoken.squares)
	channels := 0
	if len(m.amplitude) > 1 {
		channels = len(m.amplitude)
	}
	return Levels{
		Channels:     channels,
		RMS:          rounded[dsp.DBFS](rms),
		AES17:        rounded[dsp.DBFS](rms + aes17),
		SamplePeak:   rounded[dsp.DBFS](amplitudeDB(peak)),
		TruePeak:     rounded[dsp.DBTP](amplitudeDB(truePeak)),
		Integrated:   rounded[dsp.LUFS](float64(integrated)),
		RangeLU:      rounded[dsp.DB](float64(m.loudness.Range())),
		MaxMomentary: rounded[dsp.LUFS](float64(m.loudness.MaxMomentary())),
		MaxShortTerm: rounded[dsp.LUFS](float64(m.loudness.MaxShortTerm())),
		Speech:       rounded[dsp.DBFS](float64(active)),
		Activity:     math.Round(1e4*activity) / 1e4,
		DC:           rounded[dsp.DBFS](amplitudeDB(dc)),
		CrestDB:      rounded[dsp.DB](amplitudeDB(peak) - rms),
		Frames:       m.frames,
		SumSquares:   sum,
		GatedBlocks:  gated,
	}
}
