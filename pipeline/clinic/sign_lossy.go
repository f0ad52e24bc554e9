package clinic

import "chapterhouse/pipeline"

// lossy is whether the file was once encoded with loss, or came from a lower rate.
func lossy(r *Read) []Sign {
	s := Sign{Name: "lossy", Remedy: Good, Confidence: Likely, Says: "no trace of a lossy encoding; some leave none"}
	if low := r.found("low-rate"); len(low) > 0 {
		s.Remedy, s.Confidence, s.Value, s.Unit = Booth, Sure, float64(r.RateHz)/1000, "kHz"
		s.Says = "the file is at " + low[0].Measured + ", and esses reach higher: export it at the rate it was recorded at"
		return []Sign{s}
	}
	for _, f := range r.found("once-lossy") {
		s.Remedy, s.Confidence = Booth, Likely
		s.Says = f.Measured + ": once lossy, or from a lower rate; send what was recorded, in WAV or FLAC"
		if f.Weight == pipeline.Ready {
			s.Confidence = Unsure
			s.Says = f.Measured + ": once lossy at a high bit rate, or the converter's own"
		}
	}
	return []Sign{s}
}
