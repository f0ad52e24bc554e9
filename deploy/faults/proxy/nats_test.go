package proxy

import (
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
)

// throughNATS is a client behind a proxy and one beside it, at a real server.
func throughNATS(t *testing.T) (*NATS, *nats.Conn, *nats.Subscription) {
	s, err := server.NewServer(&server.Options{Host: "127.0.0.1", Port: -1, NoSigs: true, NoLog: true})
	must(t, err)
	s.Start()
	t.Cleanup(s.Shutdown)
	if !s.ReadyForConnections(10 * time.Second) {
		t.Fatal("the server does not start")
	}
	p, err := NewNATS("127.0.0.1:0", s.Addr().String())
	must(t, err)
	t.Cleanup(p.Close)
	behind, err := nats.Connect("nats://" + p.Addr())
	must(t, err)
	t.Cleanup(behind.Close)
	beside, err := nats.Connect(s.ClientURL())
	must(t, err)
	t.Cleanup(beside.Close)
	sub, err := beside.SubscribeSync("$JS.ACK.>")
	must(t, err)
	must(t, beside.Flush())
	return p, behind, sub
}

func hears(sub *nats.Subscription, wait time.Duration) string {
	m, err := sub.NextMsg(wait)
	if err != nil {
		return ""
	}
	return string(m.Data)
}

func done(m Message) bool { return IsAck(m.Subject) && strings.HasPrefix(m.Payload, "+ACK") }

func TestNATSPasses(t *testing.T) {
	p, nc, sub := throughNATS(t)
	long := strings.Repeat("x", 100_000)
	for _, payload := range []string{"+WPI", "", "PUB a 3\r\n+ACK\r\n", long} {
		must(t, nc.Publish("$JS.ACK.one", []byte(payload)))
		if got := hears(sub, 5*time.Second); got != payload {
			t.Errorf("%d bytes arrived of %d", len(got), len(payload))
		}
	}
	m := nats.NewMsg("$JS.ACK.two")
	m.Header.Set("A", "b")
	m.Data = []byte("+ACK")
	must(t, nc.PublishMsg(m))
	if got := hears(sub, 5*time.Second); got != "+ACK" {
		t.Errorf("with a header: %q", got)
	}
	must(t, nc.Publish("evt.other", nil))
	must(t, nc.Flush())
	if said := p.Said(); len(said) != 5 || said[0].Payload != "+WPI" || len(said[3].Payload) != 256 {
		t.Errorf("it remembers %d acknowledgements", len(said))
	}
}

func TestNATSFates(t *testing.T) {
	p, nc, sub := throughNATS(t)
	lost := p.Catch(Lose, 0, 1, done)
	must(t, nc.Publish("$JS.ACK.one", []byte("+ACK")))
	must(t, nc.Publish("$JS.ACK.one", []byte("+WPI")))
	if got := hears(sub, 5*time.Second); got != "+WPI" {
		t.Errorf("behind a lost one came %q", got)
	}
	if m, err := lost.Wait(t.Context()); err != nil || m.Subject != "$JS.ACK.one" {
		t.Errorf("caught %+v, %v", m, err)
	}
	held := p.Catch(Hold, 0, 1, done)
	must(t, nc.Publish("$JS.ACK.two", []byte("+ACK")))
	must(t, nc.Publish("$JS.ACK.two", []byte("+WPI")))
	if got := hears(sub, 5*time.Second); got != "+WPI" {
		t.Errorf("beside a held one came %q", got)
	}
	held.Release()
	if got := hears(sub, 5*time.Second); got != "+ACK" {
		t.Errorf("released: %q", got)
	}
}

func TestParsePub(t *testing.T) {
	for _, c := range []struct {
		line, subject string
		size          int
		publishes, ok bool
	}{
		{"PUB a.b 5\r\n", "a.b", 5, true, true},
		{"PUB a.b _INBOX.1 11\r\n", "a.b", 11, true, true},
		{"HPUB a.b 12 17\r\n", "a.b", 17, true, true},
		{"hpub a.b r 12 17\r\n", "a.b", 17, true, true},
		{"SUB a.b 1\r\n", "", 0, false, true},
		{"PING\r\n", "", 0, false, true},
		{"CONNECT {\"verbose\":false}\r\n", "", 0, false, true},
		{"PUB a\r\n", "", 0, false, false},
		{"PUB a -1\r\n", "", 0, false, false},
		{"PUB a b c d\r\n", "", 0, false, false},
	} {
		subject, size, publishes, err := parsePub([]byte(c.line))
		if subject != c.subject || size != c.size || publishes != c.publishes || (err == nil) != c.ok {
			t.Errorf("%q: %q %d %t %v", c.line, subject, size, publishes, err)
		}
	}
}
