package simulation

import (
	"fmt"
	"testing"
)

// TestEveryCall: whatever call of a night goes wrong, of a coordinator, a worker
// or a client, and however, the night ends as it should and no more than one
// job is done twice. Each call suffers one kind of harm, its neighbours the others.
func TestEveryCall(t *testing.T) {
	kinds := []StrikeKind{Fails, Loses, Conflicts, KillsSent, KillsDone}
	good := play(t, 1, Options{Strike: &Strike{}}).Tally
	if good.Calls < 100 {
		t.Fatalf("%d calls in a night", good.Calls)
	}
	inHands(good.Calls, func(i int) {
		s := Strike{i + 1, kinds[i%len(kinds)]}
		t.Run(fmt.Sprint(s.N), func(t *testing.T) {
			n := play(t, 1, Options{Strike: &s})
			for _, b := range n.Breaches {
				t.Errorf("call %d %s: %s", s.N, s.Kind, b)
			}
			if more := n.Tally.Children - good.Children; more > 1 {
				t.Errorf("call %d %s: %d jobs more than in a good night", s.N, s.Kind, more)
			}
		})
	})
	t.Logf("%d calls, %d jobs", good.Calls, good.Children)
}
