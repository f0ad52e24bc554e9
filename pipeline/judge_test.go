package pipeline

import "testing"

func TestJudgeMerges(t *testing.T) {
	clip := Finding{Check: "clipped", Source: "a", StartS: 3, Do: "listen", Weight: Listen}
	near, far := clip, clip
	near.StartS, far.StartS = 3.4, 4
	floor := Finding{Check: "noise-floor", Spec: "retail", Do: "11.3 dB are missing", Weight: Return}
	other := floor
	other.Do = "11.2 dB are missing"
	deep := Finding{Check: "limiter", Spec: "lossless", Source: "a", StartS: 9, EndS: 9.1, Do: "ride", Weight: Listen}
	mp3 := deep
	mp3.Spec = "retail"
	gap := Finding{Check: "numbering", Do: "chapter 3 is missing", Weight: Listen}
	twice := Finding{Check: "numbering", Do: "chapters 1 and 4 are both called Frost", Weight: Listen}
	accepted := []Decision{{Check: "clipped", Chapter: 2, AtS: 3.2, Why: "a door, and meant"}}
	for _, c := range []struct {
		name      string
		found     []Finding
		decisions []Decision
		left      int
		verdict   Verdict
	}{
		{"nothing", nil, nil, 0, Ready},
		{"one place is one finding", []Finding{clip, near}, nil, 1, Listen},
		{"two places are two", []Finding{clip, far}, nil, 2, Listen},
		{"one limit of a spec is one", []Finding{floor, other}, nil, 1, Return},
		{"a title's findings each have their own thing to do", []Finding{gap, twice, gap}, nil, 2, Listen},
		{"the worst weight counts", []Finding{clip, floor, gap}, nil, 3, Return},
		{"a decision lifts its finding", []Finding{clip}, accepted, 1, Ready},
		{"without a spec it is for all", []Finding{deep, mp3}, []Decision{{Check: "limiter", Chapter: 2, AtS: 9.2, Why: "a shout"}}, 2, Ready},
		{"with a spec it is for that one", []Finding{deep, mp3}, []Decision{{Check: "limiter", Spec: "retail", Chapter: 2, AtS: 9.2, Why: "a shout"}}, 2, Listen},
		{"and no other", []Finding{clip, far}, accepted, 2, Listen},
	} {
		t.Run(c.name, func(t *testing.T) {
			found, verdict := Judge(c.found, 2, c.decisions)
			if len(found) != c.left || verdict != c.verdict {
				t.Errorf("%d findings, %s; want %d, %s", len(found), verdict, c.left, c.verdict)
			}
		})
	}
}

// TestJudgeOfAWholeRecording: what several findings say of all of one recording
// stays as long as each asks for something else; one decision holds for all.
func TestJudgeOfAWholeRecording(t *testing.T) {
	family := func(do string) Finding { return Finding{Check: "family", Source: "a", Do: do, Weight: Listen} }
	found := []Finding{family("was the gain touched?"), family("was the microphone moved?"), family("was the gain touched?")}
	if got, v := Judge(found, 1, nil); len(got) != 2 || v != Listen {
		t.Errorf("%s: %+v", v, got)
	}
	if got, v := Judge(found, 1, []Decision{{Check: "family", Chapter: 1, Why: "it is meant"}}); len(got) != 2 || v != Ready {
		t.Errorf("decided, %s: %+v", v, got)
	}
	at := Finding{Check: "clicks", Source: "a", EndS: 0.2, Do: "listen", Weight: Listen}
	again := at
	again.StartS, again.Do = 0.3, "listen here"
	if got, _ := Judge([]Finding{at, again}, 1, nil); len(got) != 1 {
		t.Errorf("one place twice: %+v", got)
	}
}
