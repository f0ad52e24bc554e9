package faults

import (
	"context"
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"sync"
	"time"

	"chapterhouse/deploy/faults/proxy"
)

// A Row is one fault: what is done to a night, and what must come of it.
type Row struct {
	N     int // of the fault matrix; 0: none of it
	Fault string
	root  bool // it can't be made without
	long  bool // its nights are
	do    func(ctx context.Context, r *round) error
}

// Name is how tables and messages call the row.
func (r Row) Name() string {
	if r.N == 0 {
		return "children"
	}
	return fmt.Sprintf("row %d", r.N)
}

// Undoable says why a row can't be made on this machine, "" where it can.
func (r Row) Undoable() string {
	if r.root && os.Geteuid() != 0 {
		return "it needs root"
	}
	return ""
}

// Rows are all rows, in the order of their numbers.
func Rows() []Row {
	rows := slices.Concat(rowsKill(), rowsChild(), rowsCoordinator(), rowsBroker(), rowsNetwork(), rowsStore(), rowsRun())
	slices.SortFunc(rows, func(a, b Row) int { return a.N - b.N })
	return rows
}

// A Number is what a row promises beside the invariants: the worst of all
// rounds, and what it may be at most. A limit of NaN only tells.
type Number struct {
	What         string
	Worst, Limit float64
	Format       string // with its unit
}

// Met tells whether the number is within its limit.
func (n Number) Met() bool { return math.IsNaN(n.Limit) || n.Worst <= n.Limit }

// A Result is what came of a row in all its rounds.
type Result struct {
	Row
	Runs       int
	Violations []string
	Numbers    []Number
	How        []string // how the fault was made, where that is not what its name says
}

// String is the result in one line; a limit stands behind its number.
func (r Result) String() string {
	if why := r.Undoable(); why != "" {
		return r.Name() + ": not done: " + why
	}
	line := fmt.Sprintf("%s: %s", r.Name(), r.Broken())
	for _, n := range r.Numbers {
		line += fmt.Sprintf("; %s "+n.Format, n.What, n.Worst)
		if !math.IsNaN(n.Limit) {
			line += fmt.Sprintf(" (at most "+n.Format+")", n.Limit)
		}
	}
	return line
}

// Broken says how often a promise was not kept.
func (r Result) Broken() string {
	return fmt.Sprintf("%d violations in %d runs", len(r.Violations), r.Runs)
}

// limits of time that are not promises: after them a round has failed.
const (
	closing    = 2 * time.Minute
	aRound     = 5 * time.Minute
	longRound  = 20 * time.Minute
	redelivery = 10 * time.Second // over the lease time: what a lost job may wait for another worker
)

// Prove does rows, each so many times with other seeds, so many rows at once:
// they wait more than they work. What came of a row is said as it ends; where
// ctx ends first, what came of all rounds until then is returned with its error.
func (k *Kit) Prove(ctx context.Context, rows []Row, runs, together int, seed uint64) ([]Result, error) {
	results := make([]Result, len(rows))
	turns := make(chan struct{}, together)
	var all sync.WaitGroup
	for i, row := range rows {
		results[i].Row = row
		if row.Undoable() != "" {
			k.say("%s", results[i])
			continue
		}
		all.Go(func() {
			turns <- struct{}{}
			defer func() { <-turns }()
			for n := range runs {
				if ctx.Err() != nil {
					return
				}
				k.say("%s, %s: round %d of %d", row.Name(), row.Fault, n+1, runs)
				r := &round{kit: k, seed: seed + uint64(n), result: &results[i]}
				err := r.run(ctx)
				if ctx.Err() != nil {
					return // it was cut short, which is nobody's fault
				}
				if err != nil {
					r.violate("%v", err)
				}
				results[i].Runs++
			}
			k.say("%s", results[i])
			for _, v := range results[i].Violations {
				k.say("violated: %s", v)
			}
		})
	}
	all.Wait()
	return results, ctx.Err()
}

// A round is a row done once.
type round struct {
	kit    *Kit
	seed   uint64
	result *Result
	nights []*night
}

// run does the row and takes away what it started. An error is a round that
// did not get to its end: what was promised did not come.
func (r *round) run(ctx context.Context) error {
	limit := aRound
	if r.result.long {
		limit = longRound
	}
	ctx, stop := context.WithTimeout(ctx, limit)
	defer stop()
	err := r.result.do(ctx, r)
	for _, n := range r.nights {
		if closeErr := n.Close(); closeErr != nil && err == nil {
			err = closeErr
		}
		os.RemoveAll(n.house.Root)
	}
	return err
}

// violate notes a promise that was not kept.
func (r *round) violate(format string, args ...any) {
	r.result.Violations = append(r.result.Violations, fmt.Sprintf("%s, seed %d: ", r.result.Name(), r.seed)+fmt.Sprintf(format, args...))
}

// atMost holds a number against a limit.
func (r *round) atMost(what string, v, limit float64, format string) {
	for i := range r.result.Numbers {
		if n := &r.result.Numbers[i]; n.What == what {
			n.Worst = math.Max(n.Worst, v) // NaN stays
			return
		}
	}
	r.result.Numbers = append(r.result.Numbers, Number{what, v, limit, format})
}

// count is atMost of a number of things.
func (r *round) count(what string, n, limit int) {
	r.atMost(what, float64(n), float64(limit), "%.0f")
}

// tell gives a number without a limit.
func (r *round) tell(what string, v float64, format string) { r.atMost(what, v, math.NaN(), format) }

// how says once how the fault was made.
func (r *round) how(text string) {
	if !slices.Contains(r.result.How, text) {
		r.result.How = append(r.result.How, text)
	}
}

// Times of these nights, in seconds: short, so that what is lost comes soon.
const (
	scanS    = 2  // between two looks at everything
	silenceS = 12 // that a ring may be out without news
)

// A shape is what a night consists of.
type shape struct {
	chapters, coordinators, workers, servers int     // 0: 4, 1, 2, 1
	slots                                    int     // of each worker; 0: 1
	seconds                                  float64 // of a chapter; 0: 6
	apart                                    bool
	variant                                  string   // of the program
	env                                      []string // of workers
	careless                                 bool     // the gateway ignores conditions
}

// A night is a cluster at work on one title.
type night struct {
	*Cluster
	round        *round
	shape        shape
	house        *House
	desk         *Machine // where people submit and cancel
	coordinators []*Machine
	workers      []*Machine
	accepted     []string // runs that submit has named
	careless     *careless
}

// night starts coordinators and workers; nothing is submitted yet.
func (r *round) night(ctx context.Context, s shape) (*night, error) {
	fill := func(n *int, to int) {
		if *n == 0 {
			*n = to
		}
	}
	fill(&s.chapters, 4)
	fill(&s.coordinators, 1)
	fill(&s.workers, 2)
	fill(&s.servers, 1)
	fill(&s.slots, 1)
	if s.seconds == 0 {
		s.seconds = shortS
	}
	h, err := r.kit.house("one", s.chapters, s.seconds, r.seed)
	if err != nil {
		return nil, err
	}
	n := &night{round: r, shape: s, house: h}
	if n.Cluster, err = r.kit.newCluster(ctx, s.servers); err != nil {
		return nil, err
	}
	r.nights = append(r.nights, n)
	if s.careless {
		if n.careless, err = newCareless(r.kit.gateway); err != nil {
			return nil, err
		}
		n.gateway = n.careless.addr()
	}
	if n.desk, err = n.machine(ctx, "desk", false); err != nil {
		return nil, err
	}
	apart := s.apart && r.kit.spaces != nil
	for i := range s.coordinators {
		m, err := n.machine(ctx, fmt.Sprintf("coordinator-%d", i+1), false)
		if err != nil {
			return nil, err
		}
		n.coordinators = append(n.coordinators, m)
		if err := n.coordinate(ctx, m); err != nil {
			return nil, err
		}
	}
	for i := range s.workers {
		m, err := n.machine(ctx, fmt.Sprintf("worker-%d", i+1), apart)
		if err != nil {
			return nil, err
		}
		n.workers = append(n.workers, m)
		if err := n.work(ctx, m); err != nil {
			return nil, err
		}
	}
	return n, n.ready(ctx)
}

// serves tells whether a machine's coordinator has looked for titles.
func (m *Machine) serves() bool {
	return slices.ContainsFunc(m.Store.Calls(), func(c proxy.Call) bool { return strings.Contains(c.Query, "prefix=open") && c.Status != 0 })
}

// ready waits until every coordinator has looked for titles and every worker
// has said that it is there.
func (n *night) ready(ctx context.Context) error {
	return n.until(ctx, closing, "coordinators and workers are up", func() bool {
		for _, m := range n.coordinators {
			if !m.serves() && !(n.shape.careless && strings.Contains(m.Everything(), "one coordinator only")) {
				return false
			}
		}
		for _, m := range n.workers {
			if m.Broker.Events() == 0 {
				return false
			}
		}
		return true
	})
}

// Close ends the night.
func (n *night) Close() error {
	err := n.Cluster.Close()
	if n.careless != nil {
		n.careless.close()
	}
	return err
}

// coordinate starts a machine's coordinator, the first time or again.
func (n *night) coordinate(ctx context.Context, m *Machine) error {
	return m.start(ctx, n.shape.variant, []string{
		fmt.Sprintf("CHAPTERHOUSE_NIGHT_SCAN_S=%d", scanS), fmt.Sprintf("CHAPTERHOUSE_NIGHT_SILENCE_S=%d", silenceS),
	}, "coordinator")
}

// work starts a machine's worker, the first time or again.
func (n *night) work(ctx context.Context, m *Machine) error {
	env := append([]string{fmt.Sprintf("CHAPTERHOUSE_SLOTS=%d", n.shape.slots), "CHAPTERHOUSE_MEMORY_MIB=256"}, n.shape.env...)
	return m.start(ctx, n.shape.variant, env, "worker")
}

// submit puts the title into the night.
func (n *night) submit(ctx context.Context) error { return n.submitBy(ctx, "") }

// submitBy is submit by a variant of the program.
func (n *night) submitBy(ctx context.Context, variant string) error {
	_, err := n.desk.call(ctx, variant, "submit", n.house.Title)
	if err != nil {
		return err
	}
	t, err := n.Bucket.Title(n.house.Slug)
	if err != nil {
		return err
	}
	n.accepted = append(n.accepted, t.Wanted)
	return nil
}

// finish waits for the title's close.
func (n *night) finish(ctx context.Context) error {
	return n.closed(ctx, n.house.Slug, closing)
}

// stop ends the night's processes: what comes next has the machine for itself.
func (n *night) stop() {
	for _, m := range n.machines {
		if m.Process != nil {
			m.Kill()
		}
	}
	n.Broker.Kill()
	n.watch.end()
}

// Timed tells whether the row compares times, and wants the machine for itself.
func (r Row) Timed() bool { return r.long }
