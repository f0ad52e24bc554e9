package chain

import (
	"encoding/json"
	"fmt"
	"strings"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dynamics"
	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/house/strict"
)

// An eqBand is one shape with its parameters.
type eqBand interface {
	sections(rateHz float64) ([]kernel.Biquad, error)
	movement() (*dynamic, float64) // nil where the band stands, and its gain
	listen(rateHz float64) ([]kernel.Biquad, error)
}

type bell struct {
	Shape    string   `json:"shape" oneof:"bell"`
	CentreHz float64  `json:"centre_hz" range:"20..19000" doc:"where the gain is reached"`
	GainDB   float64  `json:"gain_db" range:"-24..24"`
	Q        float64  `json:"q" default:"1" range:"0.1..30" doc:"higher is narrower"`
	Dynamic  *dynamic `json:"dynamic,omitempty" default:"" doc:"the band comes in by the level in its own range; left out: it is static"`
}

type lowShelf struct {
	Shape    string   `json:"shape" oneof:"low-shelf"`
	CornerHz float64  `json:"corner_hz" range:"20..19000" doc:"where half of the gain is reached; all below moves"`
	GainDB   float64  `json:"gain_db" range:"-24..24"`
	Slope    float64  `json:"slope" default:"1" range:"0.1..1" doc:"1 is as steep as it gets without a bump"`
	Dynamic  *dynamic `json:"dynamic,omitempty" default:"" doc:"the band comes in by the level in its own range; left out: it is static"`
}

type highShelf struct {
	Shape    string   `json:"shape" oneof:"high-shelf"`
	CornerHz float64  `json:"corner_hz" range:"20..19000" doc:"where half of the gain is reached; all above moves"`
	GainDB   float64  `json:"gain_db" range:"-24..24"`
	Slope    float64  `json:"slope" default:"1" range:"0.1..1" doc:"1 is as steep as it gets without a bump"`
	Dynamic  *dynamic `json:"dynamic,omitempty" default:"" doc:"the band comes in by the level in its own range; left out: it is static"`
}

type notch struct {
	Shape    string  `json:"shape" oneof:"notch"`
	CentreHz float64 `json:"centre_hz" range:"20..19000" doc:"the tone that is taken out"`
	Q        float64 `json:"q" default:"30" range:"1..50" doc:"centre over the width between the -3 dB points"`
}

type plateau struct {
	Shape   string   `json:"shape" oneof:"plateau"`
	FromHz  float64  `json:"from_hz" range:"20..19000" doc:"lower edge, where half of the gain is reached"`
	ToHz    float64  `json:"to_hz" range:"20..19000" doc:"upper edge"`
	GainDB  float64  `json:"gain_db" range:"-18..18" doc:"of the flat floor between steep sides"`
	Dynamic *dynamic `json:"dynamic,omitempty" default:"" doc:"the band comes in by the level in its own range; left out: it is static"`
}

// Check wants a floor between the edges.
func (b plateau) Check() []Fault {
	if b.ToHz <= b.FromHz {
		return []Fault{{Path: "to_hz", Text: fmt.Sprintf("to_hz is %g; give more than from_hz, %g", b.ToHz, b.FromHz)}}
	}
	return b.Dynamic.check(b.GainDB)
}

// Check bounds what moves.
func (b bell) Check() []Fault { return b.Dynamic.check(b.GainDB) }

// Check bounds what moves.
func (b lowShelf) Check() []Fault { return b.Dynamic.check(b.GainDB) }

// Check bounds what moves.
func (b highShelf) Check() []Fault { return b.Dynamic.check(b.GainDB) }

func (b bell) sections(rateHz float64) ([]kernel.Biquad, error) {
	return filter.Bell(b.CentreHz, b.GainDB, b.Q, rateHz)
}
func (b lowShelf) sections(rateHz float64) ([]kernel.Biquad, error) {
	return filter.LowShelf(b.CornerHz, b.GainDB, b.Slope, rateHz)
}
func (b highShelf) sections(rateHz float64) ([]kernel.Biquad, error) {
	return filter.HighShelf(b.CornerHz, b.GainDB, b.Slope, rateHz)
}
func (b notch) sections(rateHz float64) ([]kernel.Biquad, error) {
	return filter.Notch(b.CentreHz, b.Q, rateHz)
}
func (b plateau) sections(rateHz float64) ([]kernel.Biquad, error) {
	return filter.Plateau(b.FromHz, b.ToHz, b.GainDB, rateHz)
}

// shapes are the names of eq bands, in the order of the docs.
func shapes() []string { return []string{"bell", "low-shelf", "high-shelf", "notch", "plateau"} }

// newBand is an empty band of a shape, nil where there is no such shape.
func newBand(shape string) eqBand {
	switch shape {
	case "bell":
		return &bell{}
	case "low-shelf":
		return &lowShelf{}
	case "high-shelf":
		return &highShelf{}
	case "notch":
		return &notch{}
	case "plateau":
		return &plateau{}
	}
	return nil
}

type eqParams struct {
	Bands []eqBand `json:"bands"`
}

// UnmarshalJSON reads resolved parameters.
func (p *eqParams) UnmarshalJSON(text []byte) error {
	var raw struct{ Bands []json.RawMessage }
	if err := json.Unmarshal(text, &raw); err != nil {
		return err
	}
	for _, b := range raw.Bands {
		var head struct{ Shape string }
		if err := json.Unmarshal(b, &head); err != nil {
			return err
		}
		band := newBand(head.Shape)
		if band == nil {
			return fmt.Errorf("eq has no shape %q", head.Shape)
		}
		if err := json.Unmarshal(b, band); err != nil {
			return err
		}
		p.Bands = append(p.Bands, band)
	}
	return nil
}

func (p eqParams) sections(rateHz float64) ([]kernel.Biquad, error) {
	var all []kernel.Biquad
	for i, b := range p.Bands {
		s, err := b.sections(rateHz)
		if err != nil {
			return nil, fmt.Errorf("bands[%d]: %w", i, err)
		}
		all = append(all, s...)
	}
	return all, nil
}

// eq is written as a list of bands, or as a mapping of bands and why.
func eq() Stage {
	var docs strings.Builder
	for _, shape := range shapes() {
		docs.WriteString(strict.Doc(newBand(shape)))
		docs.WriteByte('\n')
	}
	docs.WriteString("dynamic, of all but a notch:\n" + strict.Doc(dynamic{}) + "\n")
	s := definition[eqParams]{
		name:  "eq",
		about: []described{{filter.Sources, "Bell"}, {filter.Sources, "LowShelf"}, {filter.Sources, "HighShelf"}, {filter.Sources, "Notch"}, {filter.Sources, "Plateau"}, {dynamics.Sources, "DynamicEQ"}},
		rev:   1,
		doc: `Lifts and lowers parts of the spectrum, in any number of bands, written as a list: bells for a
booth's standing waves, a plateau for a boxy stretch, shelves for warmth and air, notches for whistles.
All but notches can be dynamic: they come in past a threshold, which counts from the session's speech
level, and stay at rest in a session without speech.
No latency; the phase turns where the level changes. See dsp/filter and dsp/dynamics.DynamicEQ for
formulas and sources.`,
		make: func(p eqParams, rateHz float64, f Facts) (dsp.Processor, error) {
			if p.moves() {
				return p.moving(rateHz, f)
			}
			return filtered(p.sections(rateHz))
		},
		settle: func(p eqParams, rateHz float64) int { return settle(p.sections(rateHz)) + p.settleMoves(rateHz) },
		idle: func(p eqParams, f pipeline.Facts) []string {
			if known(f.SpeechDBFS) || !p.moves() {
				return nil
			}
			return []string{"leaves its dynamic bands out: the session has no speech to count from"}
		},
	}.stage()
	s.Doc = strings.TrimRight(s.Doc, "\n") + "\n\n" + docs.String()
	s.Resolve = resolveEQ
	s.forms = []any{bell{}, lowShelf{}, highShelf{}, notch{}, plateau{}}
	return s
}

func resolveEQ(raw json.RawMessage) (Params, []Fault) {
	n, err := strict.FromJSON(raw)
	if err != nil {
		return nil, []Fault{{Text: fmt.Sprintf("parameters of eq are no JSON: %v", err)}}
	}
	prefix, list := "", struct {
		Bands []*strict.Node `json:"bands" len:"1..24"`
	}{}
	if n.Kind == strict.List {
		n = &strict.Node{Kind: strict.Map, Keys: []string{"bands"}, Values: []*strict.Node{n}}
	} else {
		prefix = "bands"
	}
	faults := strict.Decode(n, "eq", &list)
	var p eqParams
	for i, item := range list.Bands {
		name := fmt.Sprintf("%s[%d]", prefix, i)
		band, wrong := resolveBand(item, fmt.Sprintf("band %d", i+1))
		for _, f := range wrong {
			if f.Path != "" {
				f.Path = "." + f.Path
			}
			f.Path = name + f.Path
			faults = append(faults, f)
		}
		p.Bands = append(p.Bands, band)
	}
	if len(faults) > 0 {
		return nil, faults
	}
	return canonical(p), nil
}

func resolveBand(n *strict.Node, name string) (eqBand, []Fault) {
	shape := n.Key("shape")
	if n.Kind == strict.Map && shape != nil && newBand(shape.Value) == nil {
		return nil, []Fault{{Path: "shape", Text: strict.Unknown(shape.Value, "shape", shapes())}}
	}
	if n.Kind != strict.Map || shape == nil {
		return nil, []Fault{{Text: name + " has no shape; give shape: " + strings.Join(shapes(), ", ")}}
	}
	band := newBand(shape.Value)
	faults := strict.Decode(n, name, band)
	return band, faults
}
