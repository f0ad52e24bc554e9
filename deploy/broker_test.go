package deploy

import (
	"bufio"
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"golang.org/x/crypto/bcrypt"

	"chapterhouse/pipeline/queue"
	"chapterhouse/pipeline/queue/jetstream"
	"chapterhouse/pipeline/queue/jetstream/natstest"
)

const (
	engine      = "a3f9c0de"
	otherEngine = "0b0b0b0b"
	key         = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
)

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// A site is the broker as deploy/nats describes it, with workers of one engine.
type site struct {
	servers []*server.Server
	papers  *natstest.Papers
}

// brokerFiles copies deploy/nats, names engines in it, and sets what it takes
// from the environment.
func brokerFiles(t *testing.T, papers *natstest.Papers, engines ...string) (config string) {
	dir := t.TempDir()
	must(t, os.CopyFS(dir, os.DirFS("nats")))
	durables, err := exec.Command("nats/durables.sh", engines...).Output()
	must(t, err)
	must(t, os.WriteFile(filepath.Join(dir, "worker-durables.conf"), durables, 0o600))
	for name, value := range map[string]string{
		"NATS_NAME": "nats-1", "NATS_STORE": t.TempDir(), "NATS_CERT": papers.Cert("server"), "NATS_KEY": papers.Key("server"), "NATS_CA": papers.Cert("ca"),
	} {
		t.Setenv(name, value)
	}
	for _, user := range users {
		hash, err := bcrypt.GenerateFromPassword([]byte(password(user)), bcrypt.MinCost)
		must(t, err)
		t.Setenv(strings.ToUpper(strings.ReplaceAll(user, "-", "_"))+"_PASSWORD", string(hash))
	}
	return filepath.Join(dir, "server.conf")
}

var users = []string{"coordinator-1", "coordinator-2", "worker-1", "worker-2", "person", "metrics"}

func password(user string) string { return "secret of " + user }

func newSite(t *testing.T) *site {
	papers := natstest.NewPapers(t, "server")
	return &site{servers: natstest.Cluster(t, brokerFiles(t, papers, engine)), papers: papers}
}

// url is of one of the servers.
func (s *site) url(i int) string { return "tls://" + s.servers[i%len(s.servers)].Addr().String() }

// dial connects as a user, as the program does.
func (s *site) dial(t *testing.T, user, password string) (nc *nats.Conn, refused <-chan error) {
	t.Helper()
	options, err := jetstream.Secure(jetstream.SecureOptions{User: user, Password: password, CAFile: s.papers.Cert("ca")})
	must(t, err)
	told := make(chan error, 100)
	nc, err = jetstream.Dial(s.url(len(user)), user, func(err error) { told <- err }, options...)
	must(t, err)
	t.Cleanup(nc.Close)
	return nc, told
}

func (s *site) queue(t *testing.T, user string, o jetstream.Options) (*jetstream.Queue, <-chan error) {
	t.Helper()
	nc, refused := s.dial(t, user, password(user))
	q, err := jetstream.Connect(t.Context(), nc, o)
	must(t, err)
	t.Cleanup(q.Close)
	return q, refused
}

// TestBrokerRoles: each role can do its work, and nothing else.
func TestBrokerRoles(t *testing.T) {
	s := newSite(t)
	t.Run("work", s.work)
	t.Run("table", s.table)
	t.Run("doors", s.doors)
	t.Run("engine not named", s.unnamed)
}

// work is a night in small, by every role with its own permissions.
func (s *site) work(t *testing.T) {
	coordinator, refused1 := s.queue(t, "coordinator-1", jetstream.Options{})
	second, refused2 := s.queue(t, "coordinator-2", jetstream.Options{})
	worker, refused3 := s.queue(t, "worker-1", jetstream.Options{LeaseOnly: true})
	person, refused4 := s.queue(t, "person", jetstream.Options{LeaseOnly: true})
	ctx := t.Context()

	_, release, err := coordinator.Alone(ctx, "coordinator")
	must(t, err)
	waiting, cancel := context.WithTimeout(ctx, time.Second)
	if _, _, err := second.Alone(waiting, "coordinator"); err == nil {
		t.Error("two coordinators are alone")
	}
	cancel()
	release()
	_, release, err = second.Alone(ctx, "coordinator")
	must(t, err)
	release()

	if _, err := worker.Lease(ctx, engine, 0); !errors.Is(err, queue.ErrEmpty) {
		t.Errorf("Lease before any ring: %v, want ErrEmpty", err)
	}
	r := queue.Ring{Engine: engine, Class: queue.Rush, Key: key}
	must(t, coordinator.Submit(ctx, r))
	must(t, second.Submit(ctx, r))
	lease := func() queue.Lease {
		l, err := worker.Lease(ctx, engine, 20*time.Second)
		must(t, err)
		return l
	}
	must(t, lease().Retry(ctx, 0))
	l := lease()
	must(t, l.Extend(ctx))
	must(t, l.Done(ctx))
	r.Class = queue.Overnight
	must(t, coordinator.Submit(ctx, r))
	must(t, coordinator.Withdraw(ctx, r))

	for name, q := range map[string]*jetstream.Queue{"coordinator": coordinator, "person": person} {
		heard := make(chan queue.Event, 1000)
		stop, err := q.Events(engine).Watch(func(e queue.Event) { heard <- e })
		must(t, err)
		for end := time.Now().Add(20 * time.Second); len(heard) == 0; time.Sleep(20 * time.Millisecond) {
			worker.Events(engine).Say(queue.Event{Worker: "worker-1"}) // on another server, which learns of watchers in a moment
			if time.Now().After(end) {
				t.Fatalf("%s heard nothing", name)
			}
		}
		if e := <-heard; e.Worker != "worker-1" {
			t.Errorf("%s heard %+v", name, e)
		}
		stop()
	}
	for _, refused := range []<-chan error{refused1, refused2, refused3, refused4} {
		if len(refused) > 0 {
			t.Errorf("refused: %v", <-refused)
		}
	}
}

// deeds are what could be asked of the broker, and which roles may: c, a
// coordinator; w, a worker of engine; p, a person; m, metrics.
var deeds = []struct{ kind, subject, may string }{
	// Rings: only coordinators ring.
	{"publish", "job." + engine + ".rush." + key, "c"},
	{"publish", "job." + otherEngine + ".overnight." + key, "c"},
	{"subscribe", "job.>", ""},
	// The stream: coordinators make it and take rings back; nobody deletes it,
	// reads its messages past the consumers, or lists what else there is.
	{"publish", "$JS.API.INFO", "c"},
	{"publish", "$JS.API.STREAM.CREATE.JOBS", "c"},
	{"publish", "$JS.API.STREAM.UPDATE.JOBS", "c"},
	{"publish", "$JS.API.STREAM.INFO.JOBS", "c"},
	{"publish", "$JS.API.STREAM.PURGE.JOBS", "c"},
	{"publish", "$JS.API.STREAM.DELETE.JOBS", ""},
	{"publish", "$JS.API.STREAM.MSG.GET.JOBS", ""},
	{"publish", "$JS.API.STREAM.MSG.DELETE.JOBS", ""},
	{"publish", "$JS.API.DIRECT.GET.JOBS", ""},
	{"publish", "$JS.API.STREAM.SNAPSHOT.JOBS", ""},
	{"publish", "$JS.API.STREAM.RESTORE.JOBS", ""},
	{"publish", "$JS.API.STREAM.PEER.REMOVE.JOBS", ""},
	{"publish", "$JS.API.STREAM.LEADER.STEPDOWN.JOBS", ""},
	{"publish", "$JS.API.STREAM.CREATE.OTHER", ""},
	{"publish", "$JS.API.STREAM.NAMES", ""},
	{"publish", "$JS.API.STREAM.LIST", ""},
	// Consumers: coordinators make them, workers pull from their engine's.
	{"publish", "$JS.API.CONSUMER.CREATE.JOBS." + engine + "-rush.job." + engine + ".rush.*", "c"},
	{"publish", "$JS.API.CONSUMER.DURABLE.CREATE.JOBS." + engine + "-rush", ""},
	{"publish", "$JS.API.CONSUMER.DELETE.JOBS." + engine + "-rush", ""},
	{"publish", "$JS.API.CONSUMER.PAUSE.JOBS." + engine + "-rush", ""},
	{"publish", "$JS.API.CONSUMER.INFO.JOBS." + engine + "-rush", "w"},
	{"publish", "$JS.API.CONSUMER.INFO.JOBS." + engine + "-overnight", "w"},
	{"publish", "$JS.API.CONSUMER.INFO.JOBS." + otherEngine + "-rush", ""},
	{"publish", "$JS.API.CONSUMER.MSG.NEXT.JOBS." + engine + "-rush", "w"},
	{"publish", "$JS.API.CONSUMER.MSG.NEXT.JOBS." + engine + "-overnight", "w"},
	{"publish", "$JS.API.CONSUMER.MSG.NEXT.JOBS." + otherEngine + "-rush", ""},
	{"publish", "$JS.API.CONSUMER.MSG.NEXT.KV_LEASES." + engine + "-rush", ""},
	{"publish", "$JS.API.CONSUMER.NAMES.JOBS", ""},
	{"publish", "$JS.ACK.JOBS." + engine + "-rush.1.1.1.1.0", "w"},
	{"publish", "$JS.ACK.JOBS." + otherEngine + "-rush.1.1.1.1.0", ""},
	{"subscribe", "$JS.ACK.>", ""},
	{"subscribe", "$JS.API.>", ""},
	// Events: workers tell, of their engine, and coordinators that they serve;
	// people listen.
	{"publish", "evt." + engine, "cw"},
	{"publish", "evt." + otherEngine, "c"},
	{"publish", "evt." + engine + ".more", ""},
	{"subscribe", "evt.*", "cp"},
	// The lease of a coordinator that works alone.
	{"publish", "$JS.API.STREAM.CREATE.KV_LEASES", "c"},
	{"publish", "$JS.API.DIRECT.GET.KV_LEASES.$KV.LEASES.coordinator", "c"},
	{"publish", "$KV.LEASES.coordinator", "c"},
	{"publish", "$JS.API.STREAM.DELETE.KV_LEASES", ""},
	{"publish", "$JS.API.STREAM.PURGE.KV_LEASES", ""},
	{"publish", "$JS.API.STREAM.MSG.GET.KV_LEASES", ""},
	{"publish", "$KV.OTHER.coordinator", ""},
	{"subscribe", "$KV.>", ""},
	// Answers go to whoever asked, and nobody makes one up.
	{"subscribe", "_INBOX_w.coordinator-1.>", "c"},
	{"subscribe", "_INBOX_w.worker-1.>", "w"},
	{"subscribe", "_INBOX_w.worker-2.>", ""},
	{"subscribe", "_INBOX_w.>", ""},
	{"subscribe", "_INBOX.>", ""},
	{"subscribe", ">", ""},
	{"publish", "_INBOX_w.worker-2.x", ""},
	// The servers themselves.
	{"publish", "$SYS.REQ.SERVER.PING.STATSZ", "m"},
	{"publish", "$SYS.REQ.SERVER.PING.JSZ", "m"},
	{"publish", "$SYS.REQ.SERVER.PING.CONNZ", ""},
	{"publish", "$SYS.REQ.ACCOUNT.PING.CONNZ", ""},
	{"publish", "$JS.API.SERVER.REMOVE", ""},
	{"publish", "$JS.API.META.LEADER.STEPDOWN", ""},
	{"publish", "$JS.API.ACCOUNT.PURGE.CHAPTERHOUSE", ""},
	{"subscribe", "$SYS.>", ""},
	{"subscribe", "$SYS.REQ.USER.INFO", ""},
}

func (s *site) table(t *testing.T) {
	for short, user := range map[string]string{"c": "coordinator-1", "w": "worker-1", "p": "person", "m": "metrics"} {
		nc, _ := s.dial(t, user, password(user))
		connected(t, nc)
		for _, d := range deeds {
			var err error
			if d.kind == "publish" {
				err = nc.PublishRequest(d.subject, "_INBOX_w."+user+".answer", nil)
			} else {
				var sub *nats.Subscription
				if sub, err = nc.SubscribeSync(d.subject); err == nil {
					defer sub.Unsubscribe()
				}
			}
			must(t, err)
			must(t, nc.FlushTimeout(10*time.Second))
			// The server's refusal came before the answer to the flush.
			last := nc.LastError()
			refused := last != nil && strings.Contains(last.Error(), fmt.Sprintf("%q", d.subject))
			if may := strings.Contains(d.may, short); may == refused {
				t.Errorf("%s may %s %s: %v, want %v", user, d.kind, d.subject, !refused, may)
			}
		}
	}
}

func connected(t *testing.T, nc *nats.Conn) {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); !nc.IsConnected(); time.Sleep(10 * time.Millisecond) {
		if nc.IsClosed() || time.Now().After(end) {
			t.Fatalf("not connected: %v", nc.LastError())
		}
	}
}

// doors: who is let in at all.
func (s *site) doors(t *testing.T) {
	for name, who := range map[string][2]string{
		"nobody": {"", ""}, "a user without a password": {"worker-1", ""}, "another's password": {"worker-1", password("worker-2")},
		"a hash for a password": {"worker-1", os.Getenv("WORKER_1_PASSWORD")}, "no such user": {"worker-3", password("worker-3")},
	} {
		nc, err := nats.Connect(s.url(0), nats.RootCAs(s.papers.Cert("ca")), nats.UserInfo(who[0], who[1]))
		if err == nil {
			nc.Close()
		}
		if !errors.Is(err, nats.ErrAuthorization) {
			t.Errorf("%s: %v, want an authorization error", name, err)
		}
	}
	// The client library turns to TLS when a server asks for it, so whoever
	// does not is played by hand.
	plain, err := net.Dial("tcp", s.servers[0].Addr().String())
	must(t, err)
	defer plain.Close()
	must(t, plain.SetDeadline(time.Now().Add(20*time.Second)))
	fmt.Fprintf(plain, "CONNECT {\"user\":\"worker-1\",\"pass\":%q,\"verbose\":true}\r\nPING\r\n", password("worker-1"))
	lines := bufio.NewScanner(plain)
	for lines.Scan() {
		if line := lines.Text(); strings.HasPrefix(line, "+OK") || strings.HasPrefix(line, "PONG") {
			t.Fatalf("without TLS the server says %q", line)
		}
	}
	if errors.Is(lines.Err(), os.ErrDeadlineExceeded) {
		t.Error("without TLS the server goes on waiting")
	}
	// The cluster's own port wants a certificate of the servers' authority.
	authority := x509.NewCertPool()
	pem, err := os.ReadFile(s.papers.Cert("ca"))
	must(t, err)
	authority.AppendCertsFromPEM(pem)
	own := func(p *natstest.Papers) []tls.Certificate {
		paper, err := tls.LoadX509KeyPair(p.Cert("server"), p.Key("server"))
		must(t, err)
		return []tls.Certificate{paper}
	}
	for name, c := range map[string]struct {
		papers []tls.Certificate
		in     bool
	}{
		"a server's": {own(s.papers), true}, "none": {nil, false}, "a stranger's": {own(natstest.NewPapers(t, "server")), false},
	} {
		raw, err := net.Dial("tcp", s.servers[0].ClusterAddr().String())
		must(t, err)
		defer raw.Close()
		must(t, raw.SetDeadline(time.Now().Add(20*time.Second)))
		line := tls.Client(raw, &tls.Config{RootCAs: authority, ServerName: "127.0.0.1", Certificates: c.papers})
		// Who is let in is told about the cluster.
		if _, err = line.Read(make([]byte, 1)); (err == nil) != c.in || errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("certificate on the cluster's port: %s: %v, let in: want %v", name, err, c.in)
		}
	}
}

// unnamed: a worker of an engine that durables.sh was not told of learns what
// to tell it.
func (s *site) unnamed(t *testing.T) {
	worker, refused := s.queue(t, "worker-2", jetstream.Options{LeaseOnly: true})
	ctx, cancel := context.WithCancel(t.Context())
	asked := make(chan error, 1)
	go func() { _, err := worker.Lease(ctx, otherEngine, time.Minute); asked <- err }()
	if err := <-refused; !strings.Contains(err.Error(), "$JS.API.CONSUMER.INFO.JOBS."+otherEngine+"-rush") {
		t.Errorf("it does not name the engine: %v", err)
	}
	cancel() // as the program does when it is told so
	if err := <-asked; !errors.Is(err, context.Canceled) {
		t.Errorf("Lease: %v", err)
	}
}

// TestBrokerFiles: the files are what nats-server -t accepts, hold no secret,
// and say what was decided.
func TestBrokerFiles(t *testing.T) {
	papers := natstest.NewPapers(t, "server")
	config := brokerFiles(t, papers)
	o := &server.Options{CheckConfig: true} // as -t does: what it does not know is an error
	must(t, o.ProcessConfigFile(config))
	for name, c := range map[string][2]any{
		"synced":           {o.SyncAlways, true},
		"TLS":              {o.TLSConfig != nil, true},
		"routes want TLS":  {o.Cluster.TLSConfig != nil && o.Cluster.TLSConfig.ClientAuth == tls.RequireAndVerifyClientCert, true},
		"servers":          {len(o.Routes), 3},
		"nobody by itself": {o.NoAuthUser, ""},
		"monitoring":       {o.HTTPHost, "127.0.0.1"},
		"system account":   {o.SystemAccount, "SYS"},
		"payload":          {o.MaxPayload, int32(1 << 20)},
		"room for rings":   {o.JetStreamMaxStore >= 512<<20, true},
	} {
		if c[0] != c[1] {
			t.Errorf("%s: %v, want %v", name, c[0], c[1])
		}
	}
	for _, user := range o.Users {
		if strings.HasPrefix(user.Username, "worker") && !slices.Equal(user.Permissions.Publish.Allow, []string{"none"}) {
			t.Errorf("without an engine %s may publish %v", user.Username, user.Permissions.Publish.Allow)
		}
	}
	shipped, err := os.ReadFile("nats/worker-durables.conf")
	must(t, err)
	if written, err := os.ReadFile(filepath.Join(filepath.Dir(config), "worker-durables.conf")); err != nil || !bytes.Equal(shipped, written) {
		t.Errorf("worker-durables.conf is not what durables.sh writes without an engine: %v", err)
	}
	passwords := regexp.MustCompile(`password: *(\S+?)[,}\s]`)
	text, err := os.ReadFile("nats/accounts.conf")
	must(t, err)
	found := passwords.FindAllSubmatch(text, -1)
	if len(found) != len(users) {
		t.Errorf("%d passwords for %d users", len(found), len(users))
	}
	for _, m := range found {
		if !strings.HasPrefix(string(m[1]), "$") {
			t.Errorf("a password stands in the file: %s", m[1])
		}
	}
	for _, user := range users { // one that is not set is no empty password
		name := strings.ToUpper(strings.ReplaceAll(user, "-", "_")) + "_PASSWORD"
		hash := os.Getenv(name)
		must(t, os.Unsetenv(name))
		if err := (&server.Options{CheckConfig: true}).ProcessConfigFile(config); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("without %s: %v", name, err)
		}
		must(t, os.Setenv(name, hash))
	}
	for _, odd := range []string{"", "a3", "a3f9c0de11", "a3f9c0d>", "A3F9C0DE", "a3f9 0de", `a3f9"0de`} {
		if out, err := exec.Command("nats/durables.sh", engine, odd).Output(); err == nil || len(out) > 0 {
			t.Errorf("durables.sh takes %q for an engine: %s", odd, out)
		}
	}
}
