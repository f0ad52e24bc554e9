package jetstream

import (
	"flag"
	"fmt"
	"os"
	"testing"
	"time"

	"go.uber.org/goleak"

	"chapterhouse/pipeline/queue/queuetest"
)

// The test program is its own measured process, and one that can be stopped.
const roleVar, dirVar, urlVar = "JETSTREAM_TEST_ROLE", "JETSTREAM_TEST_DIR", "JETSTREAM_TEST_URL"

func TestMain(m *testing.M) {
	var err error
	switch os.Getenv(roleVar) {
	case "measure":
		err = measureMemory(os.Getenv(dirVar))
	case "hold":
		err = hold(os.Getenv(urlVar))
	default:
		waitTogether()
		goleak.VerifyTestMain(m)
	}
	if err != nil {
		fmt.Println(err)
		os.Exit(1)
	}
}

// waitTogether lets four tests run at a time on any machine: they wait for
// leases to run out, and need hardly any processor.
func waitTogether() {
	flag.Parse()
	given := false
	flag.Visit(func(f *flag.Flag) { given = given || f.Name == "test.parallel" })
	if !given {
		_ = flag.Set("test.parallel", "4")
	}
}

func embedded(t *testing.T, dir string) *Server {
	t.Helper()
	s, err := Embedded(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return s
}

func open(t *testing.T, s *Server, o Options) *Queue {
	t.Helper()
	q, err := s.open(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(q.Close)
	return q
}

func TestQueue(t *testing.T) {
	const tries = 5
	queuetest.Exercise(t, func(t *testing.T) queuetest.Bench {
		o := Options{AckWait: 1500 * time.Millisecond, Slots: 8, MaxTries: tries}
		q := open(t, embedded(t, t.TempDir()), o)
		return queuetest.Bench{Queue: q, Events: q.Events("a3f9c0de11"), LeaseTime: o.AckWait, MaxTries: tries}
	})
}
