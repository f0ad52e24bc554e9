package proxy

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"net"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
)

// A Message is what a client published.
type Message struct {
	At      time.Time
	Subject string
	Payload string
}

// NATS carries the NATS client protocol (docs.nats.io, "NATS Protocol",
// client) and reads what clients publish. What servers say passes unread.
type NATS struct {
	traps[Message]
	to       string
	listener net.Listener

	logged sync.Mutex
	said   []Message
	events int
}

// NewNATS listens at an address for a server at another.
func NewNATS(listen, to string) (*NATS, error) {
	ln, err := net.Listen("tcp", listen)
	if err != nil {
		return nil, err
	}
	p := &NATS{to: to, listener: ln}
	go p.accept()
	return p, nil
}

// Addr is where it listens.
func (p *NATS) Addr() string { return p.listener.Addr().String() }

// Close takes no new connection and releases what is held.
func (p *NATS) Close() {
	p.Clear()
	p.listener.Close()
}

// Said is what was published on acknowledgement subjects so far.
func (p *NATS) Said() []Message {
	p.logged.Lock()
	defer p.logged.Unlock()
	return slices.Clone(p.said)
}

// Events is how many messages were published on subjects of news.
func (p *NATS) Events() int {
	p.logged.Lock()
	defer p.logged.Unlock()
	return p.events
}

func (p *NATS) accept() {
	for {
		near, err := p.listener.Accept()
		if err != nil {
			return
		}
		far, err := net.Dial("tcp", p.to)
		if err != nil {
			reset(near)
			continue
		}
		go func() {
			_, _ = io.Copy(near, far)
			reset(near)
			far.Close()
		}()
		go func() {
			up := &upstream{proxy: p, to: far}
			up.read(bufio.NewReader(near))
			reset(near)
			far.Close()
		}()
	}
}

// upstream is one connection's way to the server.
type upstream struct {
	proxy *NATS
	mu    sync.Mutex
	to    net.Conn
}

func (u *upstream) write(b []byte) error {
	u.mu.Lock()
	defer u.mu.Unlock()
	_, err := u.to.Write(b)
	return err
}

// read passes operations on, one by one, until either side ends.
func (u *upstream) read(from *bufio.Reader) {
	for {
		line, err := from.ReadBytes('\n')
		if err != nil {
			return
		}
		subject, size, publishes, err := parsePub(line)
		if err != nil {
			return
		}
		if !publishes {
			if u.write(line) != nil {
				return
			}
			continue
		}
		whole := append(line, make([]byte, size+2)...) // and CR LF
		payload := whole[len(line):]
		if _, err := io.ReadFull(from, payload); err != nil {
			return
		}
		if !u.publish(subject, whole, payload[:size]) {
			return
		}
	}
}

func (p *NATS) log(m Message) {
	p.logged.Lock()
	defer p.logged.Unlock()
	switch {
	case IsAck(m.Subject):
		p.said = append(p.said, m)
	case strings.HasPrefix(m.Subject, "evt."):
		p.events++
	}
}

// publish passes one message on, now, later or never.
func (u *upstream) publish(subject string, whole, payload []byte) bool {
	m := Message{At: time.Now(), Subject: subject, Payload: string(payload[:min(len(payload), 256)])}
	u.proxy.log(m)
	trap := u.proxy.caught(m)
	if trap == nil || trap.fate == Pass {
		return u.write(whole) == nil
	}
	switch trap.fate {
	case Hold:
		go func() {
			if trap.held() {
				_ = u.write(whole)
			}
		}()
		return true
	case Cut:
		return false
	}
	return true // it never arrives
}

// IsAck tells whether a message on a subject tells JetStream what became of
// one that it had handed out.
func IsAck(subject string) bool { return strings.HasPrefix(subject, "$JS.ACK.") }

// parsePub reads the first line of a PUB or HPUB: its subject and the bytes
// that follow it before a CR LF.
func parsePub(line []byte) (subject string, size int, publishes bool, err error) {
	f := bytes.Fields(line)
	if len(f) == 0 {
		return "", 0, false, nil
	}
	switch strings.ToUpper(string(f[0])) {
	case "PUB": // PUB subject [reply] size
		publishes = len(f) == 3 || len(f) == 4
	case "HPUB": // HPUB subject [reply] header-size size
		publishes = len(f) == 4 || len(f) == 5
	default:
		return "", 0, false, nil
	}
	if !publishes {
		return "", 0, false, fmt.Errorf("%q has %d words", line, len(f))
	}
	size, err = strconv.Atoi(string(f[len(f)-1]))
	if err != nil || size < 0 || size > 64<<20 {
		return "", 0, false, fmt.Errorf("%q has no size", line)
	}
	return string(f[1]), size, true, nil
}
