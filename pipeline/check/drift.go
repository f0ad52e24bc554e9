package check

import (
	"fmt"
	"math"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

const (
	driftDB      = 2.0 // in ten minutes, and from start to end: what a listener's thumb follows (common practice)
	driftMinutes = 8   // that show a course
	// driftSure is in standard deviations of Kendall's S: chance gives one in a
	// hundred, and few of those are steep enough.
	driftSure    = 2.6
	driftQuarter = 0.75 // the level of a minute: its louder speech, so that whispered lines count for little
)

func drift() Check {
	return Check{
		Name: "drift",
		Doc: "The speech level rises or falls steadily through the part, by more than 2 dB in ten minutes and in all (the louder quarter of each " +
			"minute's phrases; slope after Theil and Sen, tested after Mann and Kendall). A narrator who moves away from the microphone, or tires. Voices of characters come and go and are no drift.",
		Listen: func(p Part) Listener { return driftListener{p} },
	}
}

// driftListener reads the phrases that the profile found.
type driftListener struct{ p Part }

func (l driftListener) Hear([]float64) {}

func (l driftListener) Heard() []Stretch {
	levels := l.minutes()
	if len(levels) < driftMinutes {
		return nil
	}
	slope, sure := trend(levels)
	all := slope * float64(len(levels)-1)
	if !sure || math.Abs(10*slope) < driftDB || math.Abs(all) < driftDB {
		return nil
	}
	return []Stretch{{
		From: l.p.Spoken.From, To: l.p.Spoken.To, Weight: pipeline.Listen,
		Measured: fmt.Sprintf("the level goes %s by %.1f dB in ten minutes", upOrDown(slope), math.Abs(10*slope)),
		Limit:    fmt.Sprintf("%g dB", driftDB), Value: dsp.Round2(math.Abs(10 * slope)), LimitValue: driftDB, Unit: "dB",
		Do: "listen to the start and the end: ask the narrator to keep the distance, and put a ride into the chain",
	}}
}

// minutes are the levels of the part's minutes with speech, in dB.
func (l driftListener) minutes() (levels []float64) {
	length := dsp.FramesIn(60, l.p.RateHz)
	var now []float64 // a phrase's level once for every half second of it
	end := length
	flush := func() {
		if len(now) >= 20 { // ten seconds of speech
			slices.Sort(now)
			levels = append(levels, now[int(driftQuarter*float64(len(now)))])
		}
		now = now[:0]
	}
	for _, p := range l.p.Marks.Phrases {
		for p.From >= end {
			flush()
			end += length
		}
		for range int(2*(p.To-p.From).Seconds(l.p.RateHz)) + 1 {
			now = append(now, float64(p.Level))
		}
	}
	flush()
	return levels
}

// trend is the median slope between any two values of a series (Theil 1950, Sen
// 1968), and whether the series is one by its signs (Mann 1945, Kendall 1975).
func trend(v []float64) (slope float64, sure bool) {
	var slopes []float64
	s := 0.0
	for i := range v {
		for j := i + 1; j < len(v); j++ {
			slopes = append(slopes, (v[j]-v[i])/float64(j-i))
			switch {
			case v[j] > v[i]:
				s++
			case v[j] < v[i]:
				s--
			}
		}
	}
	n := float64(len(v))
	deviation := math.Sqrt(n * (n - 1) * (2*n + 5) / 18)
	return median(slopes), math.Abs(s)-1 > driftSure*deviation
}
