package main

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/rogpeppe/go-internal/testscript"

	"chapterhouse/pipeline/queue/jetstream/natstest"
	"chapterhouse/pipeline/store/s3/s3test"
)

// cluster is what a night on several machines stands on: a NATS server that
// asks for TLS and passwords, and S3-compatible storage that asks for keys.
type cluster struct {
	broker  *server.Server
	papers  *natstest.Papers
	gateway *s3test.Gateway
	dir     string
}

// Passwords of the cluster's two kinds of user.
const (
	coordinatorPassword = "right-canary-c91d"
	workerPassword      = "right-canary-w52e"
)

const bucket = "house"

func newCluster(t *testing.T) *cluster {
	t.Helper()
	c := &cluster{papers: natstest.NewPapers(t, "server"), gateway: s3test.For(t, bucket), dir: t.TempDir()}
	c.startBroker(t)
	return c
}

// startBroker starts the NATS server. A worker may do what it needs and no more.
func (c *cluster) startBroker(t *testing.T) {
	t.Helper()
	secure, err := server.GenTLSConfig(&server.TLSConfigOpts{CertFile: c.papers.Cert("server"), KeyFile: c.papers.Key("server"), CaFile: c.papers.Cert("ca")})
	if err != nil {
		t.Fatal(err)
	}
	broker, err := server.NewServer(&server.Options{
		Host: "127.0.0.1", Port: -1, NoSigs: true, JetStream: true, StoreDir: filepath.Join(c.dir, "nats"), SyncAlways: true, TLSConfig: secure,
		JetStreamMaxStore: 8 << 30, JetStreamMaxMemory: 1 << 20,
		Users: []*server.User{
			{Username: "coordinator", Password: coordinatorPassword},
			{Username: "worker", Password: workerPassword, Permissions: &server.Permissions{
				Publish: &server.SubjectPermission{Allow: []string{
					"$JS.API.CONSUMER.INFO.JOBS.*", "$JS.API.CONSUMER.MSG.NEXT.JOBS.*", "$JS.ACK.JOBS.>", "evt.*",
				}},
				Subscribe: &server.SubjectPermission{Allow: []string{"_INBOX_w.worker-1.>", "_INBOX_w.worker-2.>"}},
			}},
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	broker.Start()
	if !broker.ReadyForConnections(patience) {
		t.Fatal("the broker does not get ready")
	}
	t.Cleanup(broker.Shutdown)
	c.broker = broker
}

// cmdBroker starts a broker for a script that asks for nothing, and sets where it is.
//
//	broker
func cmdBroker(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) > 0 {
		ts.Fatalf("usage: broker")
	}
	b, err := server.NewServer(&server.Options{
		Host: "127.0.0.1", Port: -1, NoSigs: true, JetStream: true, StoreDir: ts.MkAbs("broker"),
		JetStreamMaxStore: 8 << 30, JetStreamMaxMemory: 1 << 20,
	})
	ts.Check(err)
	b.Start()
	if !b.ReadyForConnections(patience) {
		ts.Fatalf("the broker does not get ready")
	}
	ts.Defer(func() {
		b.Shutdown()
		b.WaitForShutdown()
	})
	ts.Setenv("CHAPTERHOUSE_BROKER_URL", b.ClientURL())
	ts.Setenv("CHAPTERHOUSE_BROKER_REPLICAS", "1")
}

// settings writes a settings file for a process of the cluster, without its
// secrets, and returns what to set in its environment.
func (c *cluster) settings(t *testing.T, name, user, more string) []string {
	t.Helper()
	path := filepath.Join(c.dir, name+".yaml")
	text := fmt.Sprintf(`name: %s
store: s3://%s/night
slots: 1
scratch: %q
metrics: 127.0.0.1:0
log: debug
s3:
  endpoint: %q
  access_key: %s
broker:
  url: "tls://%s"
  user: %s
  ca_file: %q
  replicas: 1
  lease_s: 20
night: {scan_s: 2}
%s
`, name, bucket, filepath.Join(c.dir, "scratch-"+name), c.gateway.Endpoint, c.gateway.AccessKey, c.broker.Addr(), user, c.papers.Cert("ca"), more)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return []string{"CHAPTERHOUSE_SETTINGS=" + path, "XDG_CACHE_HOME=" + filepath.Join(c.dir, "cache")}
}

// secrets are a user's in the environment, or in files that it names.
func (c *cluster) secrets(t *testing.T, password string, inFiles bool) []string {
	t.Helper()
	env := []string{"CHAPTERHOUSE_S3_SECRET_KEY=" + c.gateway.SecretKey, "CHAPTERHOUSE_BROKER_PASSWORD=" + password}
	if !inFiles {
		return env
	}
	for i, v := range env {
		key, value, _ := strings.Cut(v, "=")
		path := filepath.Join(t.TempDir(), "secret")
		if err := os.WriteFile(path, []byte(value+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
		env[i] = key + "_FILE=" + path
	}
	return env
}

// machine is a running program.
type machine struct {
	cmd      *exec.Cmd
	name     string
	out, err said
	ended    chan struct{}
}

// said is what a program wrote.
type said struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (s *said) Write(b []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.text.Write(b)
}

func (s *said) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.text.String()
}

// start runs the program with an environment and arguments.
func start(t *testing.T, env []string, args ...string) *machine {
	t.Helper()
	m := &machine{name: strings.Join(args, " "), ended: make(chan struct{})}
	m.cmd = exec.Command(filepath.Join(programs, "chapterhouse"), args...)
	m.cmd.Env = append(slices.Clone(os.Environ()), env...)
	m.cmd.Stdout, m.cmd.Stderr = &m.out, &m.err
	m.cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := m.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go func() {
		defer close(m.ended)
		_ = m.cmd.Wait()
	}()
	t.Cleanup(func() {
		_ = m.cmd.Process.Kill()
		<-m.ended
		if t.Failed() {
			t.Logf("%s said:\n%s%s", m.name, m.out.String(), m.err.String())
		}
	})
	return m
}

// wait waits for the program's end and returns its exit code.
func (m *machine) wait(t *testing.T) int {
	t.Helper()
	select {
	case <-m.ended:
	case <-time.After(patience):
		t.Fatalf("%s does not end", m.name)
	}
	return m.cmd.ProcessState.ExitCode()
}

// run runs the program to its end, which must be exit 0, and returns what it printed.
func run0(t *testing.T, env []string, args ...string) string {
	t.Helper()
	m := start(t, env, args...)
	if code := m.wait(t); code != 0 {
		t.Fatalf("%s: exit %d", m.name, code)
	}
	return m.out.String()
}
