package coordinator

import (
	"testing"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"
)

// A title whose state is damaged holds up no other: it is said, and stays
// among the unfinished until someone mends it.
func TestDamagedTitle(t *testing.T) {
	for name, text := range map[string]string{"half a text": `{"seq":1,"wan`, "no run's name": `{"rev":1,"seq":1,"wanted":"../x"}`} {
		w := newWorld(t)
		w.submit()
		w.store.Break(titleName("an-orchard"), []byte(text))
		w.store.Break(openName("an-orchard", "000001"), []byte(`{}`))
		core, logs := observer.New(zap.WarnLevel)
		co := w.coordinator(w.store)
		co.Log = zap.New(core)
		for range 50 {
			if err := co.serve(t.Context(), true); err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			for w.answer() {
			}
		}
		if got := w.state(); got.Standing == "" {
			t.Errorf("%s: the other title is not closed: %+v", name, got)
		}
		said := logs.FilterField(zap.String("title", "an-orchard"))
		if said.Len() == 0 || said.Len() != logs.Len() {
			t.Errorf("%s: %d of %d warnings are of it: %v", name, said.Len(), logs.Len(), logs.All())
		}
		open, err := Open(t.Context(), w.store)
		if err != nil || len(open) != 1 || open[0].Title != "an-orchard" {
			t.Errorf("%s: open are %+v, %v", name, open, err)
		}
	}
}
