package clinic

import (
	"fmt"
	"math"
)

const (
	spreadLeastDB = 4.0 // of phrases: what lies nearer needs no ride
	spreadGoalDB  = 6.0
	rideMost      = 60.0
	rideLeast     = 30.0
	loudShare     = 0.9 // the loudest tenth of words
	fastShare     = 0.99
)

// rode is the ride: as much of the way as brings the phrases' spread to 6 dB.
func (d *drafter) rode(goalDB float64) (step, bool) {
	habit := d.o.Habits.Ride
	if never(habit.Use) {
		return step{}, false
	}
	var levels []float64
	for _, p := range d.r.Marks.Phrases {
		if !math.IsInf(float64(p.Level), 0) {
			levels = append(levels, float64(p.Level))
		}
	}
	low, high := share(levels, 0.1), share(levels, 0.9)
	spread := high - low
	if d.wants(Calmer) {
		goalDB = goalDB / 2
	}
	if math.IsNaN(spread) || spread < spreadLeastDB || spread <= goalDB {
		return step{}, false
	}
	percent := or(habit.SharePercent, bounded(5*math.Round(20*(1-goalDB/spread)), rideLeast, rideMost))
	most := bounded(math.Ceil(percent/100*spread/2+1), 2, 5)
	if d.wants(Calmer) {
		most = min(6, most+1)
	}
	most = min(most, or(habit.MostDB, most))
	return step{stage: "ride", params: fields{{"share_percent", percent}, {"max_db", most}},
		why: fmt.Sprintf("four fifths of its %d phrases lie within %.1f dB, from %.1f to %.1f dBFS as recorded", len(levels), spread, low, high)}, true
}

// slow is the compressor that follows what the voice carries: the loudest tenth
// of words by so much.
func (d *drafter) slow(loudWordsDB float64, program bool) step {
	habit := d.o.Habits.Compressor
	ratio, aim := or(habit.Ratio, 2), or(habit.LoudWordsDB, loudWordsDB)
	if d.wants(Calmer) {
		aim++
	}
	loud := share(d.loud, loudShare)
	threshold := bounded(loud-aim/(1-1/ratio), 1, 3)
	p := fields{{"threshold_over_speech_db", half(threshold)}, {"ratio", ratio}, {"knee_db", 6.0}, {"attack_ms", 15.0}, {"release_ms", 180.0}, {"detector", "rms"}}
	if program {
		p = append(p, field{"timing", "program"})
	}
	return step{stage: "compressor", params: p, why: fmt.Sprintf("a tenth of its moments stand %.1f dB over the speech level and more: some %.1f dB there", loud, (loud-half(threshold))*(1-1/ratio))}
}

// fast is the compressor that catches crests.
func (d *drafter) fast() step {
	crest := share(d.crests(), fastShare)
	const ratio, aim = 3.0, 1.0
	threshold := half(bounded(crest-aim/(1-1/ratio), 5, 18))
	return step{stage: "compressor", params: fields{{"threshold_over_speech_db", threshold}, {"ratio", ratio}, {"knee_db", 4.0}, {"attack_ms", 1.5}, {"release_ms", 60.0}, {"detector", "peak"}, {"range_db", 2.0}},
		why: fmt.Sprintf("one crest in a hundred is %.1f dB over the speech level and more: caught quickly, so that the slow one behind hears none", crest)}
}

// crests are the peaks of 10 ms of speech, dB over the speech level.
func (d *drafter) crests() (db []float64) {
	n := d.r.RateHz / 100
	for _, p := range d.r.Marks.Phrases {
		for at := int(p.From); at+n <= min(int(p.To), len(d.r.x)); at += n {
			most := 0.0
			for _, v := range d.r.x[at : at+n] {
				most = max(most, math.Abs(v))
			}
			db = append(db, 20*math.Log10(most+1e-9))
		}
	}
	db = active(db)
	for i := range db {
		db[i] -= float64(d.r.speech())
	}
	return db
}
