package proxy

import (
	"bytes"
	"errors"
	"io"
	"net"
	"testing"
	"time"
)

// echo answers with what it is told, until the other side has said all.
func echo(t *testing.T) string {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	t.Cleanup(func() { ln.Close() })
	go func() {
		for {
			c, err := ln.Accept()
			if err != nil {
				return
			}
			go func() {
				defer c.Close()
				_, _ = io.Copy(c, c)
			}()
		}
	}()
	return ln.Addr().String()
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func aLink(t *testing.T, w Weather) *Link {
	l, err := NewLink("127.0.0.1:0", echo(t), 1)
	must(t, err)
	t.Cleanup(l.Close)
	l.Set(w)
	return l
}

// talk sends what is long enough for many pieces and returns what comes back.
func talk(t *testing.T, l *Link, n int) ([]byte, error) {
	c, err := net.Dial("tcp", l.Addr())
	if err != nil {
		return nil, err // a link that is cut may refuse at once
	}
	defer c.Close()
	must(t, c.SetDeadline(time.Now().Add(10*time.Second)))
	go func() {
		_, _ = c.Write(bytes.Repeat([]byte("salt"), n/4))
		_ = c.(*net.TCPConn).CloseWrite()
	}()
	return io.ReadAll(c)
}

func TestLinkCarriesEveryByte(t *testing.T) {
	const n = 300 << 10
	for _, c := range []struct {
		name  string
		w     Weather
		least time.Duration // that it takes
	}{
		{"fair", Weather{}, 0},
		{"far away", Weather{Delay: 50 * time.Millisecond}, 100 * time.Millisecond},
		{"a third is lost", Weather{Loss: 0.3}, resend},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			began := time.Now()
			got, err := talk(t, aLink(t, c.w), n)
			if err != nil || !bytes.Equal(got, bytes.Repeat([]byte("salt"), n/4)) {
				t.Errorf("%d bytes of %d came back: %v", len(got), n, err)
			}
			if took := time.Since(began); took < c.least {
				t.Errorf("it took %v, less than %v", took, c.least)
			}
		})
	}
}

// TestLinkSilent: what is sent into silence arrives when it ends, as TCP has it.
func TestLinkSilent(t *testing.T) {
	for _, way := range []Way{Up, Down} {
		l := aLink(t, Weather{})
		var w Weather
		w.Silent[way] = true
		l.Set(w)
		c, err := net.Dial("tcp", l.Addr())
		must(t, err)
		defer c.Close()
		_, err = c.Write([]byte("salt"))
		must(t, err)
		must(t, c.SetReadDeadline(time.Now().Add(100*time.Millisecond)))
		b := make([]byte, 4)
		var late net.Error
		if _, err := io.ReadFull(c, b); !errors.As(err, &late) || !late.Timeout() {
			t.Errorf("way %d: %q, %v came through silence", way, b, err)
		}
		l.Set(Weather{})
		must(t, c.SetReadDeadline(time.Now().Add(time.Minute)))
		if _, err := io.ReadFull(c, b); err != nil || string(b) != "salt" {
			t.Errorf("way %d: %q, %v after silence", way, b, err)
		}
	}
}

func TestLinkCut(t *testing.T) {
	l := aLink(t, Weather{})
	c, err := net.Dial("tcp", l.Addr())
	must(t, err)
	defer c.Close()
	_, err = c.Write([]byte("salt"))
	must(t, err)
	b := make([]byte, 4)
	_, err = io.ReadFull(c, b)
	must(t, err)
	l.Set(Weather{Cut: true})
	must(t, c.SetReadDeadline(time.Now().Add(time.Minute)))
	if _, err := c.Read(b); err == nil {
		t.Error("a connection lives on after the cut")
	}
	if got, err := talk(t, l, 4); err == nil && len(got) > 0 {
		t.Errorf("a new connection says %q", got)
	}
	l.Set(Weather{})
	if got, err := talk(t, l, 4); err != nil || string(got) != "salt" {
		t.Errorf("after the cut: %q, %v", got, err)
	}
}
