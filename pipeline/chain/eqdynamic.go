package chain

import (
	"fmt"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dynamics"
	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
)

// dynamic makes a band of an eq come in by level.
type dynamic struct {
	ThresholdOverSpeechDB float64 `json:"threshold_over_speech_db" range:"-60..20" doc:"of the level in the band's own range, counted from the session's speech level; a voice's octaves lie about 5 to 15 under it below 1 kHz, 15 to 30 above"`
	When                  string  `json:"when" default:"over" oneof:"over,under" doc:"a dB for each dB over, or under, the threshold, up to gain_db"`
	AttackMS              float64 `json:"attack_ms" default:"10" range:"0..500" doc:"time constant of a move away from 0 dB"`
	ReleaseMS             float64 `json:"release_ms" default:"120" range:"1..800" doc:"time constant of the way back"`
}

// mostMovingLiftDB is the most that a dynamic band lifts.
const mostMovingLiftDB = 12

// overTone is how far over the room tone in a band a sound is before it is
// lifted: as an expander's thresholds.
const overTone = 8

// check bounds the gain of a band that moves.
func (d *dynamic) check(gainDB float64) []Fault {
	if d == nil || gainDB <= mostMovingLiftDB {
		return nil
	}
	return []Fault{{Path: "gain_db", Text: fmt.Sprintf("gain_db is %g; give %d or less, the most that a dynamic band lifts", gainDB, mostMovingLiftDB)}}
}

func (b bell) movement() (*dynamic, float64)      { return b.Dynamic, b.GainDB }
func (b lowShelf) movement() (*dynamic, float64)  { return b.Dynamic, b.GainDB }
func (b highShelf) movement() (*dynamic, float64) { return b.Dynamic, b.GainDB }
func (b notch) movement() (*dynamic, float64)     { return nil, 0 }
func (b plateau) movement() (*dynamic, float64)   { return b.Dynamic, b.GainDB }

func (b bell) listen(rateHz float64) ([]kernel.Biquad, error) {
	return filter.Bandpass(b.CentreHz, b.Q, rateHz)
}
func (b lowShelf) listen(rateHz float64) ([]kernel.Biquad, error) {
	return filter.Lowpass(b.CornerHz, 12, rateHz)
}
func (b highShelf) listen(rateHz float64) ([]kernel.Biquad, error) {
	return filter.Highpass(b.CornerHz, 12, rateHz)
}
func (b notch) listen(float64) ([]kernel.Biquad, error) { return nil, nil }
func (b plateau) listen(rateHz float64) ([]kernel.Biquad, error) {
	centre := math.Sqrt(b.FromHz * b.ToHz)
	return filter.Bandpass(centre, max(0.1, centre/(b.ToHz-b.FromHz)), rateHz)
}

// moves tells whether a band is dynamic.
func (p eqParams) moves() bool {
	for _, b := range p.Bands {
		if d, _ := b.movement(); d != nil {
			return true
		}
	}
	return false
}

// moving makes an eq with dynamic bands. Without speech to count from, those
// are left out.
func (p eqParams) moving(rateHz float64, f Facts) (dsp.Processor, error) {
	var bands []dynamics.EQBand
	for i, b := range p.Bands {
		sections, err := b.sections(rateHz)
		if err != nil {
			return nil, fmt.Errorf("bands[%d]: %w", i, err)
		}
		d, gainDB := b.movement()
		if d == nil {
			bands = append(bands, dynamics.EQBand{Sections: sections})
			continue
		}
		listen, err := b.listen(rateHz)
		if err != nil {
			return nil, fmt.Errorf("bands[%d]: %w", i, err)
		}
		m := &dynamics.Movement{Listen: listen, FloorDBFS: toneThrough(f.RoomTone, rateHz, responseOf(listen, rateHz)) + overTone,
			GainDB: gainDB, Under: d.When == "under", AttackMS: d.AttackMS, ReleaseMS: d.ReleaseMS}
		if known(f.SpeechDBFS) {
			m.ThresholdDBFS = max(-120, min(0, float64(f.SpeechDBFS)+d.ThresholdOverSpeechDB))
		} else {
			m.GainDB = 0
		}
		bands = append(bands, dynamics.EQBand{Sections: sections, Movement: m})
	}
	return dynamics.NewDynamicEQ(bands, rateHz)
}

// settleMoves is how long dynamic bands remember, beside their sections: one
// after the other, as each hears what the one before gives.
func (p eqParams) settleMoves(rateHz float64) (sum int) {
	for _, b := range p.Bands {
		if d, gainDB := b.movement(); d != nil {
			m := dynamics.Movement{GainDB: gainDB, AttackMS: d.AttackMS, ReleaseMS: d.ReleaseMS}
			sum += m.Settle(rateHz) + settle(b.listen(rateHz))
		}
	}
	return sum
}
