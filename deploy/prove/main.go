// Prove runs the program as its users do and holds what it measures of it
// against a limit. Each proof has its own file and prints one table: what,
// measured, limit, ok.
//
//	go run ./deploy/prove peers --files recordings
//
// Results are levels, sizes and ratios: times belong to a machine. Only scale
// tells rates, of the machine that it runs on.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"
)

// A proof fills a table; an error means that no more than is in it can be said.
type proof struct {
	name, help string
	files      bool // takes --files
	runs       bool // takes --runs and --rows
	rows       bool // takes --rows
	sized      bool // takes --side, --kinds, --size, --labels, --stored and --update
	prove      func(ctx context.Context, s *site, t *table) error
}

func proofs() []proof {
	return []proof{
		{name: "peers", help: "our meters beside ffmpeg's, sox's and libebur128's, on sources and deliveries of the demo title and every file in --files", files: true, prove: peers},
		{name: "memory", help: "resident memory of a night with two slots: chapters of 20 minutes and of 3 hours", prove: memory},
		{name: "speed", help: "processor time of chains beside ffmpeg's and sox's graphs, of a whole chapter as a multiple of one lame encode of it, and of meters beside libebur128: --rows chains,night,meters", rows: true, prove: speed},
		{name: "scale", help: "a house's night of 1,000 titles without its audio: what a coordinator costs, and what gives first", prove: scale},
		{name: "sound", help: "every stage against published values, and against ffmpeg: filters, static curves, dynamics, harmonics, limiter, dither, rates, esses, a shout", prove: sound},
		{name: "restoration", help: "what every stage that restores gives and takes, against clean recordings: noise, hum, clicks, plosives, breaths", prove: restoration},
		{name: "voice", help: "what is told of a voice and its room, against what readings were made from: pace, reverberation", prove: voice},
		{name: "clinic", help: "what is said of test reads, and what drafts do to them, against what the reads were made from: --rows figures,modes,…", rows: true, prove: clinicRows},
		{name: "board", help: "faults planted in narration, by kind and level: how many are found, and false alarms in a finished hour; or those of recordings in --files, by --labels", files: true, sized: true, prove: board},
		{name: "faults", help: "processes killed, frozen and cut off, storage and broker lost and damaged, with real servers: nothing is forgotten, doubled or wrong", runs: true, prove: faultRows},
	}
}

// An order is what the command line asks for.
type order struct {
	proof proof
	root  string // folder of the repository
	files string // folder of further files, or none
	seed  uint64 // of generated narration, and of chance
	runs  int    // times that each row is done
	rows  string // numbers with commas between, or all

	side   string  // tune, print or both
	kinds  string  // names with commas between, or all
	size   float64 // share of the whole
	labels string  // CSV file that says what is in files
	stored string  // file that holds what was found before
	update bool    // writes it
}

const (
	exitMet    = 0
	exitMissed = 1 // or not everything could be said
	exitUsage  = 2
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], proofs(), os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

func run(ctx context.Context, args []string, all []proof, stdout, stderr io.Writer) int {
	o, err := parse(args, all)
	if err != nil {
		if !errors.Is(err, flag.ErrHelp) {
			fmt.Fprintln(stderr, "prove:", err)
		}
		usage(stderr, all)
		return exitUsage
	}
	s, err := newSite(o, stderr)
	if err != nil {
		fmt.Fprintln(stderr, "prove:", err)
		return exitMissed
	}
	defer s.close()
	var t table
	proofErr := o.proof.prove(ctx, s, &t)
	if proofErr != nil {
		fmt.Fprintf(stderr, "prove %s: %v\n", o.proof.name, proofErr)
	}
	if proofErr == nil || len(t.rows) > 0 { // hours of work are not lost with what came last
		if err := t.write(stdout); err != nil {
			fmt.Fprintln(stderr, "prove:", err)
			return exitMissed
		}
	}
	if proofErr != nil || !t.met() {
		return exitMissed
	}
	return exitMet
}

// parse takes flags before and after the name.
func parse(args []string, all []proof) (order, error) {
	var o order
	f := flag.NewFlagSet("prove", flag.ContinueOnError)
	f.SetOutput(io.Discard)
	f.StringVar(&o.root, "root", ".", "")
	f.StringVar(&o.files, "files", "", "")
	f.Uint64Var(&o.seed, "seed", 1, "")
	f.IntVar(&o.runs, "runs", 0, "")
	f.StringVar(&o.rows, "rows", "", "")
	f.StringVar(&o.side, "side", "both", "")
	f.StringVar(&o.kinds, "kinds", "", "")
	f.Float64Var(&o.size, "size", 1, "")
	f.StringVar(&o.labels, "labels", "", "")
	f.StringVar(&o.stored, "stored", "", "")
	f.BoolVar(&o.update, "update", false, "")
	if err := f.Parse(args); err != nil {
		return o, err
	}
	name, rest := f.Arg(0), f.Args()
	if name == "" {
		return o, errors.New("name a proof")
	}
	if err := f.Parse(rest[1:]); err != nil {
		return o, err
	}
	if f.NArg() > 0 {
		return o, fmt.Errorf("one proof at a time: what is %q?", f.Arg(0))
	}
	for _, p := range all {
		if p.name == name {
			o.proof = p
		}
	}
	switch {
	case o.proof.name == "":
		return o, fmt.Errorf("no proof is called %q", name)
	case o.files != "" && !o.proof.files:
		return o, fmt.Errorf("%s reads no --files", name)
	case (o.runs != 0 || o.rows != "" && !o.proof.rows) && !o.proof.runs:
		return o, fmt.Errorf("%s takes no --runs and no --rows", name)
	case (o.side != "both" || o.kinds != "" || o.size != 1 || o.labels != "" || o.stored != "" || o.update) && !o.proof.sized:
		return o, fmt.Errorf("%s takes no --side, --kinds, --size, --labels, --stored and --update", name)
	case o.side != "both" && o.side != "tune" && o.side != "print":
		return o, fmt.Errorf("--side is tune, print or both, not %q", o.side)
	case !(o.size > 0 && o.size <= 1):
		return o, fmt.Errorf("--size goes from above 0 to 1, not %g", o.size)
	case o.proof.sized && (o.files == "") != (o.labels == ""):
		return o, errors.New("--files and --labels come together")
	case o.update && o.stored == "":
		return o, errors.New("--update writes the file of --stored: name it")
	case o.runs < 0:
		return o, fmt.Errorf("--runs takes 1 or more, not %d", o.runs)
	}
	return o, nil
}

func usage(w io.Writer, all []proof) {
	fmt.Fprintln(w, "usage: deploy/prove.sh NAME [--files DIR] [--seed N] [--runs N] [--rows LIST]")
	fmt.Fprintln(w, "       deploy/prove.sh board [--side tune|print] [--kinds LIST] [--size 0.1] [--seed N] [--stored FILE [--update]] [--files DIR --labels CSV]")
	for _, p := range all {
		fmt.Fprintf(w, "  %-11s %s\n", p.name, p.help)
	}
}
