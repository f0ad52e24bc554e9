package faults

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"sync/atomic"
)

// A Space is a network namespace with one cable to storage and one to the
// broker: what runs inside reaches nothing else, and either cable can be
// pulled. To the two sides that is silence, not a broken connection.
type Space struct {
	name   string
	cables [2]cable
}

// A Cable names one of a space's two.
type Cable int

const (
	ToStore Cable = iota
	ToBroker
)

// cable is a pair of virtual interfaces, the inner one in the space.
type cable struct {
	inner, outer string
	address      string // of this machine's end
}

// Spaces makes network namespaces, if this machine lets it.
type Spaces struct {
	tag  string
	next atomic.Int32
}

// NewSpaces tries whether namespaces can be had here; the error says why not.
func NewSpaces(ctx context.Context) (*Spaces, error) {
	if os.Geteuid() != 0 {
		return nil, errors.New("network namespaces need root")
	}
	s := &Spaces{tag: fmt.Sprintf("f%x", os.Getpid()&0xffffff)}
	probe, err := s.New(ctx)
	if err != nil {
		return nil, err
	}
	defer probe.Close()
	return s, run(ctx, probe.inside([]string{"true"})...)
}

// New makes a space with its two cables plugged in.
func (s *Spaces) New(ctx context.Context) (*Space, error) {
	n := int(s.next.Add(1))
	sp := &Space{name: fmt.Sprintf("%s-%d", s.tag, n)}
	if err := run(ctx, "ip", "netns", "add", sp.name); err != nil {
		return nil, err
	}
	for i := range sp.cables {
		// Addresses of 198.18.0.0/15 are for tests (RFC 2544). Two programs
		// of this kind at once keep apart by their process numbers.
		net := fmt.Sprintf("198.%d.%d", 18+i, (os.Getpid()*7+n)&0xff)
		c := cable{inner: fmt.Sprintf("%s-%d%c", s.tag, n, "sb"[i]), outer: fmt.Sprintf("%s-%d%c", s.tag, n, "SB"[i]), address: net + ".1"}
		sp.cables[i] = c
		for _, args := range [][]string{
			{"link", "add", c.outer, "type", "veth", "peer", "name", c.inner, "netns", sp.name},
			{"addr", "add", net + ".1/30", "dev", c.outer},
			{"link", "set", c.outer, "up"},
			{"-n", sp.name, "addr", "add", net + ".2/30", "dev", c.inner},
			{"-n", sp.name, "link", "set", c.inner, "up"},
			{"-n", sp.name, "link", "set", "lo", "up"},
		} {
			if err := run(ctx, append([]string{"ip"}, args...)...); err != nil {
				return nil, errors.Join(err, sp.Close())
			}
		}
	}
	return sp, nil
}

// Address is where this machine is found from inside, over one of the cables.
func (sp *Space) Address(c Cable) string { return sp.cables[c].address }

// Pull takes a cable out.
func (sp *Space) Pull(ctx context.Context, c Cable) error {
	return run(ctx, "ip", "link", "set", sp.cables[c].outer, "down")
}

// Plug puts it back.
func (sp *Space) Plug(ctx context.Context, c Cable) error {
	return run(ctx, "ip", "link", "set", sp.cables[c].outer, "up")
}

// Netem has the kernel delay and lose packets on their way in over both
// cables; an error where this kernel can't.
func (sp *Space) Netem(ctx context.Context, args ...string) error {
	for _, c := range sp.cables {
		if err := run(ctx, append([]string{"tc", "qdisc", "replace", "dev", c.outer, "root", "netem"}, args...)...); err != nil {
			return err
		}
	}
	return nil
}

// Close takes the space away; what still runs inside loses its network.
func (sp *Space) Close() error {
	return run(context.Background(), "ip", "netns", "del", sp.name)
}

// inside is how a program is started in the space. It keeps its process number.
func (sp *Space) inside(args []string) []string {
	return append([]string{"ip", "netns", "exec", sp.name}, args...)
}

// run runs a program that says nothing when all is well.
func run(ctx context.Context, args ...string) error {
	out, err := exec.CommandContext(ctx, args[0], args[1:]...).CombinedOutput()
	if err != nil {
		return fmt.Errorf("%s: %w: %s", strings.Join(args, " "), err, strings.TrimSpace(string(out)))
	}
	return nil
}
