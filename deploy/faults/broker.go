package faults

import (
	"context"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"time"
)

// A Broker is NATS servers, each a process: one, or three that are a cluster.
type Broker struct {
	program string
	dir     string
	servers []*natsServer
}

type natsServer struct {
	name            string
	client, cluster string // host:port
	process         *Process
	starts          int
}

// NewBroker starts so many servers.
func NewBroker(ctx context.Context, program, dir string, servers int) (*Broker, error) {
	b := &Broker{program: program, dir: dir}
	for i := range servers {
		ports, err := freePorts(2)
		if err != nil {
			return nil, err
		}
		b.servers = append(b.servers, &natsServer{name: fmt.Sprintf("nats-%d", i+1), client: ports[0], cluster: ports[1]})
	}
	if err := b.Start(ctx); err != nil {
		b.Kill()
		return nil, err
	}
	return b, nil
}

// Addr is where clients find the n-th server.
func (b *Broker) Addr(n int) string { return b.servers[n%len(b.servers)].client }

// PID is the n-th server's process.
func (b *Broker) PID(n int) int { return b.servers[n].process.PID() }

// Servers is how many there are.
func (b *Broker) Servers() int { return len(b.servers) }

// Start starts those that do not run, and waits until they answer.
func (b *Broker) Start(ctx context.Context) error {
	var routes []string
	for _, s := range b.servers {
		routes = append(routes, s.cluster)
	}
	for _, s := range b.servers {
		if s.process != nil && s.process.Running() {
			continue
		}
		args := []string{b.program, "-name", s.name, "-listen", s.client, "-store", b.store(s)}
		if len(b.servers) > 1 {
			args = append(args, "-cluster", s.cluster, "-routes", strings.Join(routes, ","))
		}
		s.starts++
		var err error
		if s.process, err = Start(Command{Name: s.name, Args: args, Dir: b.dir}); err != nil {
			return err
		}
	}
	for _, s := range b.servers {
		err := await(ctx, 30*time.Second, s.name+" answers", func() (bool, error) {
			if !s.process.Running() {
				return false, fmt.Errorf("it has ended: %s", s.process.Says())
			}
			return strings.Count(s.process.Everything(), "natsd is ready") == s.starts, nil
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// Kill kills all servers.
func (b *Broker) Kill() {
	for i := range b.servers {
		b.KillOne(i)
	}
}

// KillOne kills the n-th server.
func (b *Broker) KillOne(n int) {
	if s := b.servers[n]; s.process != nil {
		s.process.Kill()
	}
}

// Wipe takes the store of all servers away. They must not run.
func (b *Broker) Wipe() error {
	for _, s := range b.servers {
		if err := os.RemoveAll(b.store(s)); err != nil {
			return err
		}
	}
	return nil
}

func (b *Broker) store(s *natsServer) string { return filepath.Join(b.dir, s.name) }

// freePorts are addresses that nobody listens at. Someone else may take one
// before it is used; who then does not answer says so.
func freePorts(n int) ([]string, error) {
	var addrs []string
	for range n {
		ln, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			return nil, err
		}
		defer ln.Close() // after all are found: no port twice
		addrs = append(addrs, ln.Addr().String())
	}
	return addrs, nil
}
