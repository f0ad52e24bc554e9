package jetstream

import (
	"fmt"
	"net"
	"net/url"
	"os"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"

	"chapterhouse/pipeline/queue/queuetest"
)

// TestCluster runs the contract over three servers with three replicas of the
// stream, each test in an account of its own.
func TestCluster(t *testing.T) {
	if os.Getenv("CHAPTERHOUSE_REQUIRE") != "all" {
		t.Skip("three servers take a while: set CHAPTERHOUSE_REQUIRE=all")
	}
	const accounts, tries = 40, 5
	servers := cluster(t, 3, accounts)
	var next atomic.Int32
	t.Run("contract", func(t *testing.T) {
		queuetest.Exercise(t, func(t *testing.T) queuetest.Bench {
			n := int(next.Add(1)) - 1
			user := fmt.Sprintf("u%d", n)
			nc, err := Dial("", user, func(err error) { t.Errorf("lost the connection: %v", err) }, nats.InProcessServer(servers[n%3]), nats.UserInfo(user, "p"))
			must(t, err)
			o := Options{AckWait: 1500 * time.Millisecond, Slots: 8, MaxTries: tries, MaxBytes: 1 << 20}
			q, err := Connect(t.Context(), nc, o)
			must(t, err)
			t.Cleanup(q.Close)
			return queuetest.Bench{Queue: q, Events: q.Events(engine), LeaseTime: o.AckWait, MaxTries: tries, Servers: 3}
		})
	})
}

// cluster starts servers that know each other over the loopback.
func cluster(t *testing.T, size, accounts int) []*server.Server {
	var conf strings.Builder
	conf.WriteString("accounts {\n  SYS: {users: [{user: sys, password: p}]}\n")
	for n := range accounts {
		fmt.Fprintf(&conf, "  A%d: {jetstream: enabled, users: [{user: u%d, password: p}]}\n", n, n)
	}
	conf.WriteString("}\nsystem_account: SYS\n")
	ports := make([]int, size)
	var routes []*url.URL
	for i := range ports {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		must(t, err)
		ports[i] = l.Addr().(*net.TCPAddr).Port
		must(t, l.Close())
		routes = append(routes, &url.URL{Scheme: "nats", Host: fmt.Sprintf("127.0.0.1:%d", ports[i])})
	}
	servers := make([]*server.Server, size)
	for i := range servers {
		file := t.TempDir() + "/server.conf"
		must(t, os.WriteFile(file, []byte(conf.String()), 0o600))
		o, err := server.ProcessConfigFile(file)
		must(t, err)
		o.ServerName = fmt.Sprintf("s%d", i)
		o.Host, o.Port = "127.0.0.1", -1
		o.Cluster = server.ClusterOpts{Name: "c", Host: "127.0.0.1", Port: ports[i]}
		o.Routes = routes
		o.JetStream, o.StoreDir, o.SyncAlways = true, t.TempDir(), true
		o.JetStreamMaxMemory, o.JetStreamMaxStore = 1<<20, 1<<30
		o.NoSigs, o.NoLog = true, true
		s, err := server.NewServer(o)
		must(t, err)
		servers[i] = s
		s.Start()
		t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	}
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		ready := 0
		for _, s := range servers {
			if s.ReadyForConnections(time.Second) && s.JetStreamIsCurrent() {
				ready++
			}
		}
		if ready == size {
			return servers
		}
		if time.Now().After(end) {
			t.Fatalf("%d of %d servers are ready", ready, size)
		}
	}
}
