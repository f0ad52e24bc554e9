package clinic

import (
	"chapterhouse/dsp"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/house/strict"
)

// A Form is what a narrator says of voice, microphone and booth: setup.yaml.
type Form struct {
	Narrator string         `json:"narrator"` // slug
	Name     string         `json:"name"`
	Setup    string         `json:"setup"` // slug
	As       pipeline.Setup `json:"as"`
	// Curve is the microphone's own response, in the order of frequency; empty:
	// not known.
	Curve []CurvePoint `json:"curve,omitempty"`
	// DistanceCM is from mouth to microphone, AngleDegrees how far the microphone
	// is off the breath; 0: not said, or none.
	DistanceCM   float64 `json:"distance_cm,omitempty"`
	AngleDegrees float64 `json:"angle_degrees,omitempty"`
	// TemperatureC is the booth's; 20 where nothing was said.
	TemperatureC float64 `json:"temperature_c"`
	// Inside tells that the booth was measured inside its panels, not from wall to
	// wall.
	Inside bool `json:"inside,omitempty"`
}

// CurvePoint is a microphone's gain at a frequency.
type CurvePoint struct {
	Hz float64 `json:"hz" range:"10..40000"`
	DB dsp.DB  `json:"db" range:"-40..20"`
}

type form struct {
	Narrator        strict.Slug  `json:"narrator" doc:"the narrator's short name in the house"`
	Name            strict.Name  `json:"name" default:"" doc:"as people write it"`
	Setup           strict.Slug  `json:"setup" doc:"short name of this microphone, preamp, interface and booth"`
	Microphone      strict.Prose `json:"microphone" default:"" doc:"its kind and pattern"`
	MicrophoneCurve []CurvePoint `json:"microphone_curve" default:"" len:"0..64" doc:"its response, as its sheet gives it"`
	DistanceCM      float64      `json:"distance_cm" default:"" range:"0..200" doc:"from mouth to microphone"`
	AngleDegrees    float64      `json:"angle_degrees" default:"" range:"0..90" doc:"that the microphone is off the breath"`
	Preamp          strict.Prose `json:"preamp" default:""`
	Interface       strict.Prose `json:"interface" default:""`
	Printed         strict.Prose `json:"printed" default:"" doc:"what was applied on the way in"`
	TemperatureC    float64      `json:"temperature_c" default:"20" range:"-10..45" doc:"in the booth"`
	Booth           formBooth    `json:"booth" default:""`
}

type formBooth struct {
	WidthM   float64 `json:"width_m" default:"" range:"0.3..30"`
	DepthM   float64 `json:"depth_m" default:"" range:"0.3..30"`
	HeightM  float64 `json:"height_m" default:"" range:"0.3..30"`
	PanelMM  float64 `json:"panel_mm" default:"" range:"0..1000" doc:"thickness of what absorbs"`
	GapMM    float64 `json:"gap_mm" default:"" range:"0..1000" doc:"air behind it"`
	Measured string  `json:"measured" default:"walls" oneof:"walls,panels" doc:"from wall to wall, or inside the panels"`
}

// ParseForm reads setup.yaml; path is its name in faults, all of which are told
// at once.
func ParseForm(yaml []byte, path string) (Form, []strict.Fault) {
	n, faults := strict.Parse(yaml, path)
	if n == nil {
		return Form{}, faults
	}
	var f form
	if faults = append(faults, strict.Decode(n, "the form", &f)...); len(faults) > 0 {
		return Form{}, faults
	}
	return Form{
		Narrator: string(f.Narrator), Name: string(f.Name), Setup: string(f.Setup), Curve: f.MicrophoneCurve,
		DistanceCM: f.DistanceCM, AngleDegrees: f.AngleDegrees, TemperatureC: f.TemperatureC, Inside: f.Booth.Measured == "panels",
		As: pipeline.Setup{
			Microphone: string(f.Microphone), Preamp: string(f.Preamp), Interface: string(f.Interface), Printed: string(f.Printed),
			Booth: pipeline.Booth{WidthM: f.Booth.WidthM, DepthM: f.Booth.DepthM, HeightM: f.Booth.HeightM, PanelMM: f.Booth.PanelMM, GapMM: f.Booth.GapMM},
		},
	}, nil
}
