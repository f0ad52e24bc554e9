package proxy

import (
	"fmt"
	"math/rand/v2"
	"net"
	"sync"
	"time"
)

// A Way is a direction.
type Way int

const (
	Up   Way = iota // from the program to the server
	Down            // from the server to the program
)

// Weather is what a link does to what passes.
type Weather struct {
	Delay  time.Duration // of every piece, each way
	Loss   float64       // 0..1, of pieces: each comes when it is sent again
	Silent [2]bool       // by Way: nothing arrives, and nobody is told
	Cut    bool          // connections break, and no new one is had
}

// A piece is what TCP would send in a few segments. What was lost is sent
// again after the least time-out that a kernel waits (RFC 6298 asks for 1 s,
// Linux waits 200 ms), twice as long each time; what comes behind it waits.
const (
	pieceBytes = 16 << 10
	resend     = 200 * time.Millisecond
	mostResend = 2 * time.Second
	inFlight   = 64 // pieces
)

// A Link carries bytes from a port of its own to another.
type Link struct {
	listener net.Listener
	to       string
	running  sync.WaitGroup

	mu      sync.Mutex
	weather Weather
	changed chan struct{} // closed when weather changes
	conns   map[net.Conn]struct{}
	random  *rand.Rand
	closed  bool
}

// NewLink listens at an address, port 0 for any, and carries to another.
func NewLink(listen, to string, seed uint64) (*Link, error) {
	ln, err := net.Listen("tcp", listen)
	if err != nil {
		return nil, fmt.Errorf("link to %s: %w", to, err)
	}
	l := &Link{
		listener: ln, to: to, changed: make(chan struct{}), conns: map[net.Conn]struct{}{},
		random: rand.New(rand.NewPCG(seed, 7)),
	}
	l.running.Go(l.accept)
	return l, nil
}

// Addr is where it listens.
func (l *Link) Addr() string { return l.listener.Addr().String() }

// Set changes the weather.
func (l *Link) Set(w Weather) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.weather = w
	close(l.changed)
	l.changed = make(chan struct{})
	if w.Cut {
		l.breakAll()
	}
}

// Close breaks everything and waits until it has ended.
func (l *Link) Close() {
	l.mu.Lock()
	if !l.closed {
		l.closed = true
		l.listener.Close()
		l.weather = Weather{}
		close(l.changed)
		l.breakAll()
	}
	l.mu.Unlock()
	l.running.Wait()
}

// breakAll resets every connection; l.mu is held.
func (l *Link) breakAll() {
	for c := range l.conns {
		reset(c)
	}
	clear(l.conns)
}

// reset closes a connection so that the other side sees it break.
func reset(c net.Conn) {
	if tcp, ok := c.(*net.TCPConn); ok {
		_ = tcp.SetLinger(0)
	}
	c.Close()
}

func (l *Link) accept() {
	for {
		near, err := l.listener.Accept()
		if err != nil {
			return
		}
		if !l.keep(near) {
			reset(near)
			continue
		}
		l.running.Go(func() {
			far, err := net.Dial("tcp", l.to)
			if err != nil || !l.keep(far) {
				l.end(near, far)
				return
			}
			var both sync.WaitGroup
			both.Go(func() { l.carry(near, far, Up) })
			both.Go(func() { l.carry(far, near, Down) })
			both.Wait()
			l.end(near, far)
		})
	}
}

// keep remembers a connection that may have to be broken; false: at once.
func (l *Link) keep(c net.Conn) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.closed || l.weather.Cut {
		return false
	}
	l.conns[c] = struct{}{}
	return true
}

func (l *Link) end(conns ...net.Conn) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, c := range conns {
		if c != nil {
			c.Close()
			delete(l.conns, c)
		}
	}
}

type piece struct {
	bytes []byte
	due   time.Time
}

// carry moves bytes one way until either side ends.
func (l *Link) carry(from, to net.Conn, way Way) {
	pieces := make(chan piece, inFlight)
	go func() {
		defer close(pieces)
		var last time.Time
		for {
			b := make([]byte, pieceBytes)
			n, err := from.Read(b)
			if n > 0 {
				p := piece{b[:n], l.due()}
				if p.due.Before(last) {
					p.due = last
				}
				last = p.due
				pieces <- p
			}
			if err != nil {
				return
			}
		}
	}()
	broken := false
	for p := range pieces {
		if broken {
			continue
		}
		time.Sleep(time.Until(p.due))
		l.whileSilent(way)
		if _, err := to.Write(p.bytes); err != nil {
			broken = true
			reset(from)
		}
	}
	// What this side has said is over; the answer may still come.
	if tcp, ok := to.(*net.TCPConn); ok && !broken {
		_ = tcp.CloseWrite()
	}
}

// due is when what is sent now arrives.
func (l *Link) due() time.Time {
	l.mu.Lock()
	defer l.mu.Unlock()
	at := time.Now().Add(l.weather.Delay)
	for again := resend; l.weather.Loss > 0 && l.random.Float64() < l.weather.Loss && again < mostResend; again *= 2 {
		at = at.Add(again)
	}
	return at
}

func (l *Link) whileSilent(way Way) {
	for {
		l.mu.Lock()
		silent, changed := l.weather.Silent[way] && !l.closed, l.changed
		l.mu.Unlock()
		if !silent {
			return
		}
		<-changed
	}
}
