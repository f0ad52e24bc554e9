package jetstream

import (
	"fmt"
	"os"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"chapterhouse/pipeline/queue/jetstream/natstest"
	"chapterhouse/pipeline/queue/queuetest"
)

// TestCluster runs the contract over three servers with three replicas of the
// stream, each test in an account of its own.
func TestCluster(t *testing.T) {
	if os.Getenv("CHAPTERHOUSE_REQUIRE") != "all" {
		t.Skip("three servers take a while: set CHAPTERHOUSE_REQUIRE=all")
	}
	const accounts, tries = 40, 5
	servers := natstest.Cluster(t, accountsOf(t, accounts))
	var next atomic.Int32
	t.Run("contract", func(t *testing.T) {
		queuetest.Exercise(t, func(t *testing.T) queuetest.Bench {
			n := int(next.Add(1)) - 1
			user := fmt.Sprintf("u%d", n)
			nc, err := Dial("", user, func(err error) { t.Errorf("lost the connection: %v", err) }, nats.InProcessServer(servers[n%3]), nats.UserInfo(user, "p"))
			must(t, err)
			o := Options{AckWait: 2500 * time.Millisecond, Slots: 8, MaxTries: tries, MaxBytes: 1 << 20}
			q, err := Connect(t.Context(), nc, o)
			must(t, err)
			t.Cleanup(q.Close)
			return queuetest.Bench{Queue: q, Events: q.Events(engine), LeaseTime: o.AckWait, MaxTries: tries, Servers: 3}
		})
	})
}

// accountsOf is the configuration of servers with accounts of one user each.
func accountsOf(t *testing.T, accounts int) (file string) {
	var conf strings.Builder
	conf.WriteString("cluster {name: c}\njetstream {max_memory_store: 1MB, max_file_store: 1GB, sync_interval: always}\n")
	conf.WriteString("system_account: SYS\naccounts {\n  SYS: {users: [{user: sys, password: p}]}\n")
	for n := range accounts {
		fmt.Fprintf(&conf, "  A%d: {jetstream: enabled, users: [{user: u%d, password: p}]}\n", n, n)
	}
	conf.WriteString("}\n")
	file = t.TempDir() + "/server.conf"
	must(t, os.WriteFile(file, []byte(conf.String()), 0o600))
	return file
}
