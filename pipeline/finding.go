package pipeline

// Verdict is what a chapter or title is worth.
type Verdict string

const (
	Ready  Verdict = "ready"
	Listen Verdict = "listen" // a human ear should go to the findings
	Return Verdict = "return" // can't be delivered as it is: the narrator or the booth must act
)

// worse orders verdicts.
var worse = map[Verdict]int{Ready: 0, Listen: 1, Return: 2}

// Worse is the more urgent of two verdicts.
func Worse(a, b Verdict) Verdict {
	if worse[b] > worse[a] {
		return b
	}
	return a
}

// A Finding is one thing that a check noticed. Its place is in source time,
// so that it survives another chain and another edit list.
type Finding struct {
	Check    string  `json:"check"`
	Spec     string  `json:"spec,omitempty"`     // the spec whose limit it is; empty: the recording's own
	Source   Digest  `json:"source,omitempty"`   // empty: the whole chapter or title
	Path     string  `json:"path,omitempty"`     // the source's name, for people
	StartS   float64 `json:"start_s"`            // seconds into the source
	EndS     float64 `json:"end_s"`              // seconds into the source; 0 with StartS 0: all of it
	Measured string  `json:"measured,omitempty"` // with unit
	Limit    string  `json:"limit,omitempty"`    // with unit
	Do       string  `json:"do"`                 // what to do, one sentence
	Act      Act     `json:"act,omitempty"`      // the kind of what to do
	Stage    string  `json:"stage,omitempty"`    // that is to be changed, where it is known
	Add      bool    `json:"add,omitempty"`      // the chain has no such stage yet
	Weight   Verdict `json:"weight"`             // ready: a notice
	// Value is what Measured says in figures and LimitValue the limit that makes
	// it count for its weight, both in Unit; no Unit: they are not set.
	Value      float64 `json:"value,omitempty"`
	LimitValue float64 `json:"limit_value,omitempty"`
	Unit       string  `json:"unit,omitempty"`

	Page     string `json:"page,omitempty"` // of the text, as a proof-listener noted it
	Line     string `json:"line,omitempty"`
	Accepted string `json:"accepted,omitempty"` // the reason of the decision that lifted it
}

// An Act is what a finding asks somebody to do, in a word; empty: nothing.
type Act string

const (
	Recut  Act = "recut"  // cut or export it again from what was recorded
	Pickup Act = "pickup" // have the narrator read the line again
	Change Act = "change" // change a stage of the chain, or another setting
	Treat  Act = "treat"  // treat the booth, or what stands in it
)

// Acts are all of them, most work for the narrator last.
func Acts() []Act { return []Act{Recut, Change, Treat, Pickup} }

// Words is what to do as a person is told it.
func (f Finding) Words() string {
	switch f.Act {
	case Change:
		switch {
		case f.Stage == "":
			return "change the chain"
		case f.Add:
			return "add the " + f.Stage + " stage to the chain"
		}
		return "change the " + f.Stage + " stage of the chain"
	case Treat:
		return "treat the booth"
	}
	return string(f.Act)
}

// Same tells whether two findings are one: same check and spec, same source,
// start within half a second. A decision holds across runs by it.
func (f Finding) Same(g Finding) bool {
	d := f.StartS - g.StartS
	return f.Check == g.Check && f.Spec == g.Spec && f.Source == g.Source && d <= 0.5 && d >= -0.5
}

// WholeTitle stands for a chapter's number where something concerns none alone.
const WholeTitle = -1

// A Decision is a person's word on a finding: it stands, and is no obstacle.
type Decision struct {
	Check   string  `json:"check"`
	Spec    string  `json:"spec,omitempty"` // empty: whatever the spec
	Chapter int     `json:"chapter"`        // number, or WholeTitle
	AtS     float64 `json:"at_s"`           // seconds into the source
	Why     string  `json:"why"`
}
