package natstest

import (
	"fmt"
	"net"
	"net/url"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

// Cluster runs three servers of a configuration file that know each other
// over the loopback. Names, ports, routes and stores are its own; everything
// else is as the file says. The test's end stops them.
func Cluster(t *testing.T, config string) []*server.Server {
	t.Helper()
	const size = 3
	ports := make([]int, size)
	var routes []*url.URL
	for i := range ports {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		must(t, err)
		ports[i] = l.Addr().(*net.TCPAddr).Port
		must(t, l.Close())
		routes = append(routes, &url.URL{Scheme: "nats-route", Host: fmt.Sprintf("127.0.0.1:%d", ports[i])})
	}
	servers := make([]*server.Server, size)
	for i := range servers {
		o, err := server.ProcessConfigFile(config)
		must(t, err)
		o.ServerName = fmt.Sprintf("s%d", i)
		o.Host, o.Port, o.HTTPPort = "127.0.0.1", -1, 0
		o.Cluster.Host, o.Cluster.Port, o.Routes = "127.0.0.1", ports[i], routes
		o.StoreDir = t.TempDir()
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
