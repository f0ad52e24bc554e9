package faults

import (
	"context"
	"net"
	"os"
	"testing"
	"time"

	"chapterhouse/deploy/faults/proxy"
)

// someSpaces skips where there can be none, and fails where all is required.
func someSpaces(t *testing.T) *Spaces {
	s, err := NewSpaces(t.Context())
	if err != nil {
		if os.Getenv("CHAPTERHOUSE_REQUIRE") == "all" {
			t.Fatal(err)
		}
		t.Skip("no network namespaces here: ", err)
	}
	return s
}

// TestSpace: from inside, this machine is reached over a cable while it is in.
func TestSpace(t *testing.T) {
	sp, err := someSpaces(t).New(t.Context())
	must(t, err)
	defer func() { must(t, sp.Close()) }()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	defer ln.Close()
	go func() {
		for {
			c, err := ln.Accept()
			if err != nil {
				return
			}
			c.Close()
		}
	}()
	calls := func(c Cable, patience time.Duration) error {
		l, err := proxy.NewLink(sp.Address(c)+":0", ln.Addr().String(), 1)
		must(t, err)
		defer l.Close()
		host, port, err := net.SplitHostPort(l.Addr())
		must(t, err)
		ctx, stop := context.WithTimeout(t.Context(), patience)
		defer stop()
		return run(ctx, sp.inside([]string{"bash", "-c", "exec 3<>/dev/tcp/" + host + "/" + port})...)
	}
	for _, c := range []Cable{ToStore, ToBroker} {
		must(t, calls(c, time.Minute))
	}
	must(t, sp.Pull(t.Context(), ToStore))
	if calls(ToStore, 2*time.Second) == nil {
		t.Error("the pulled cable carries")
	}
	must(t, calls(ToBroker, time.Minute))
	must(t, sp.Plug(t.Context(), ToStore))
	must(t, calls(ToStore, time.Minute))
}
