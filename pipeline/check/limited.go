package check

import (
	"fmt"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// Limits chosen on the tuning voices; TestLimited prints how they do on others.
const (
	peakWindowS = 0.010
	peakStepDB  = 0.02
	peakTopDB   = 24.0  // over full scale: float files go there
	peakDeepDB  = -36.0 // what is quieter is no recording's peak
	// atTopDB is how near to the highest peak others must lie to be at a ceiling,
	// underDB how far below it they thin out where there is none.
	atTopDB = 0.1
	underDB = 0.5
	// Of a voice's peaks within underDB of the highest a fifth lie within atTopDB,
	// and there are few; a limiter heaps them there.
	topPeaks   = 12
	topShare   = 0.5
	topSeconds = 5
	fullDBFS   = -0.02 // at full scale it is the converter's ceiling
)

func limitedPeaks() Check {
	return Check{
		Name: "limited",
		Doc: "Many peaks end at one level under full scale: a limiter worked on the way in, or afterwards. It takes the edge off " +
			"loud words and can't be undone; the chain's own then finds less to do. A filter behind the limiter hides it.",
		Listen: func(p Part) Listener {
			return &peakListener{rateHz: p.RateHz, window: int(dsp.FramesIn(peakWindowS, p.RateHz))}
		},
	}
}

// peakListener counts the peaks of windows, and of seconds, by their level.
type peakListener struct {
	rateHz, window int
	at             dsp.Frames
	peak           float64 // of the window
	flat           int     // samples of it that have that value
	second         float64 // highest of the second's windows
	windows        [peakSteps]int
	seconds        [peakSteps]int
}

const peakSteps = int((peakTopDB-peakDeepDB)/peakStepDB) + 1

// peakStep is the place of a peak in the counts, 0 for the highest; peaks that
// are too quiet have none.
func peakStep(peak float64) (int, bool) {
	n := int(math.Round((peakTopDB - float64(20*math.Log10(peak))) / peakStepDB))
	return max(0, n), peak > 0 && n < peakSteps
}

func (l *peakListener) Hear(x []float64) {
	for _, v := range x {
		switch a := math.Abs(v); {
		case a > l.peak:
			l.peak, l.flat = a, 1
		case a == l.peak:
			l.flat++
		}
		if l.at++; l.at%dsp.Frames(l.window) == 0 {
			l.end()
		}
	}
}

// end counts a window. Flat tops are clipping, and another check's.
func (l *peakListener) end() {
	if l.flat < clipRun {
		if n, loud := peakStep(l.peak); loud {
			l.windows[n]++
		}
		l.second = max(l.second, l.peak)
	}
	l.peak, l.flat = 0, 0
	if windows := int(l.at) / l.window; windows%int(1/peakWindowS) == 0 {
		if n, loud := peakStep(l.second); loud {
			l.seconds[n]++
		}
		l.second = 0
	}
}

func (l *peakListener) Heard() []Stretch {
	if l.at.Seconds(l.rateHz) < leastS {
		return nil
	}
	top := 0
	for top < peakSteps && l.windows[top] == 0 {
		top++
	}
	if top == peakSteps {
		return nil
	}
	within := func(count *[peakSteps]int, db float64) (n int) {
		for _, c := range count[top:min(peakSteps, top+int(math.Round(db/peakStepDB))+1)] {
			n += c
		}
		return n
	}
	ceiling := peakTopDB - float64(float64(top)*peakStepDB)
	peaks := within(&l.windows, atTopDB)
	if peaks < topPeaks || within(&l.seconds, atTopDB) < topSeconds || ceiling > fullDBFS ||
		float64(peaks) < topShare*float64(within(&l.windows, underDB)) {
		return nil
	}
	return []Stretch{{
		Weight:   pipeline.Ready,
		Measured: fmt.Sprintf("%d peaks within %.1f dB of %.1f dBFS", peaks, atTopDB, ceiling),
		Limit:    fmt.Sprintf("%d", topPeaks),
		Do:       "nothing if it sounds well; ask for the next recording without a limiter",
	}}
}
