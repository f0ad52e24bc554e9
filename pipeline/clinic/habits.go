package clinic

import (
	"chapterhouse/pipeline/house/strict"
)

// Habits are what a house likes in its chains: stages that it uses or doesn't,
// and amounts. They move what drafts would do, within the bounds that drafts
// keep; the zero value is a house without any.
//
//	# habits.yaml: all keys can be left out
//	highpass: {slope_db_per_octave: 18, most_cutoff_hz: 80}
//	room_noise: {use: true, most_db: 6}
//	expander: {use: true, ratio: 1.4, most_db: 8}
//	eq: {most_cut_db: 5, most_lift_db: 1}
//	ride: {use: true, share_percent: 40, most_db: 4}
//	compressor: {ratio: 2, loud_words_db: 2.5, two: false}
//	harmonics: {use: false}
//	de_esser: {use: true, most_cut_db: 4}
type Habits struct {
	Highpass   HighpassHabit   `json:"highpass" default:""`
	RoomNoise  AmountHabit     `json:"room_noise" default:""`
	Expander   ExpanderHabit   `json:"expander" default:""`
	EQ         EQHabit         `json:"eq" default:""`
	Ride       RideHabit       `json:"ride" default:""`
	Compressor CompressorHabit `json:"compressor" default:""`
	Harmonics  UseHabit        `json:"harmonics" default:""`
	DeEsser    DeEsserHabit    `json:"de_esser" default:""`
}

// Amounts of 0, and a use that is nil, were not said.
type (
	HighpassHabit struct {
		SlopeDBPerOctave int     `json:"slope_db_per_octave" default:"" oneof:"6,12,18,24,30,36"`
		MostCutoffHz     float64 `json:"most_cutoff_hz" default:"" range:"20..120" doc:"no higher, whatever the pitch"`
	}
	AmountHabit struct {
		Use    *bool   `json:"use" default:"" doc:"false: never"`
		MostDB float64 `json:"most_db" default:"" range:"1..12"`
	}
	ExpanderHabit struct {
		Use    *bool   `json:"use" default:"" doc:"false: never"`
		Ratio  float64 `json:"ratio" default:"" range:"1.1..3"`
		MostDB float64 `json:"most_db" default:"" range:"3..12" doc:"range of each band"`
	}
	EQHabit struct {
		MostCutDB  float64 `json:"most_cut_db" default:"" range:"1..9" doc:"of one band"`
		MostLiftDB float64 `json:"most_lift_db" default:"" range:"0.5..3" doc:"of one band"`
	}
	RideHabit struct {
		Use          *bool   `json:"use" default:"" doc:"false: never"`
		SharePercent float64 `json:"share_percent" default:"" range:"20..70"`
		MostDB       float64 `json:"most_db" default:"" range:"1..6"`
	}
	CompressorHabit struct {
		Ratio       float64 `json:"ratio" default:"" range:"1.2..4"`
		LoudWordsDB float64 `json:"loud_words_db" default:"" range:"1..4" doc:"that the loudest tenth of words is turned down by"`
		Two         *bool   `json:"two" default:"" doc:"false: round has one compressor as well"`
	}
	UseHabit struct {
		Use *bool `json:"use" default:"" doc:"false: never"`
	}
	DeEsserHabit struct {
		Use       *bool   `json:"use" default:"" doc:"false: never"`
		MostCutDB float64 `json:"most_cut_db" default:"" range:"1..8"`
	}
)

// ParseHabits reads habits; path is the file's name in faults, all of which are
// told at once.
func ParseHabits(yaml []byte, path string) (Habits, []strict.Fault) {
	var h Habits
	if faults := strict.Read(yaml, path, &h); len(faults) > 0 {
		return Habits{}, faults
	}
	return h, nil
}

// never tells whether a house said that it doesn't use a stage.
func never(use *bool) bool { return use != nil && !*use }

// or is a habit, or what is done without one.
func or[T int | float64](habit, otherwise T) T {
	if habit != 0 {
		return habit
	}
	return otherwise
}
