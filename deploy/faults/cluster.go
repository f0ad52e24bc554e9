package faults

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"

	"chapterhouse/deploy/faults/proxy"
	"chapterhouse/pipeline/store/s3/s3test"
)

// lease is how long a ring is a worker's without a word: short, so that what
// is lost comes again soon. Limits that a broker's lease bounds count from it.
const lease = 5 * time.Second

// A Cluster is one night's installation: a bucket, a broker, and machines.
type Cluster struct {
	kit      *Kit
	dir      string
	bucket   string // its name
	Bucket   Bucket
	Broker   *Broker
	gateway  string // host:port that machines' storage proxies lead to
	machines []*Machine
	watch    *watch
}

// newCluster makes one with so many NATS servers and an empty bucket.
func (k *Kit) newCluster(ctx context.Context, servers int) (*Cluster, error) {
	natsd, err := k.build(ctx, "natsd", "./deploy/faults/natsd")
	if err != nil {
		return nil, err
	}
	dir, err := k.folder("cluster")
	if err != nil {
		return nil, err
	}
	c := &Cluster{kit: k, dir: dir, bucket: filepath.Base(dir), gateway: strings.TrimPrefix(k.gateway.Endpoint, "http://")}
	if err := k.gateway.NewBucket(c.bucket); err != nil {
		return nil, err
	}
	c.Bucket = Bucket{k.gateway.BucketDir(c.bucket)}
	if c.Broker, err = NewBroker(ctx, natsd, dir, servers); err != nil {
		return nil, err
	}
	c.watch = watchBucket(c.Bucket)
	return c, nil
}

// Close ends every process, and takes the bucket away.
func (c *Cluster) Close() error {
	var errs []error
	for _, m := range c.machines {
		errs = append(errs, m.close())
	}
	c.Broker.Kill()
	c.watch.end()
	return errors.Join(append(errs, os.RemoveAll(c.Bucket.dir), os.RemoveAll(c.dir))...)
}

// A Machine is one process of the program with a network of its own: all it
// says to storage and broker passes proxies that are nobody else's.
type Machine struct {
	Name string
	*Process
	Store      *proxy.HTTP
	StoreLink  *proxy.Link
	Broker     *proxy.NATS
	BrokerLink *proxy.Link
	Space      *Space // nil: on this machine's network
	Scratch    string
	c          *Cluster
}

// machine makes a machine that runs nothing yet; apart: in a network
// namespace, so that its cables can be pulled.
func (c *Cluster) machine(ctx context.Context, name string, apart bool) (*Machine, error) {
	m := &Machine{Name: name, c: c, Scratch: filepath.Join(c.dir, name+".scratch")}
	c.machines = append(c.machines, m)
	if err := os.MkdirAll(m.Scratch, 0o755); err != nil {
		return nil, err
	}
	hosts := [2]string{"127.0.0.1", "127.0.0.1"}
	if apart {
		var err error
		if m.Space, err = c.kit.spaces.New(ctx); err != nil {
			return nil, err
		}
		hosts = [2]string{m.Space.Address(ToStore), m.Space.Address(ToBroker)}
	}
	seed := uint64(len(c.machines))
	history := func(name string) bool {
		return strings.HasPrefix(name, "titles/") && strings.HasSuffix(name, "/title.json")
	}
	var err error
	if m.Store, err = proxy.NewHTTP("127.0.0.1:0", c.gateway, c.bucket, history); err != nil {
		return nil, err
	}
	if m.StoreLink, err = proxy.NewLink(hosts[ToStore]+":0", m.Store.Addr(), seed); err != nil {
		return nil, err
	}
	if m.Broker, err = proxy.NewNATS("127.0.0.1:0", c.Broker.Addr(int(seed))); err != nil {
		return nil, err
	}
	m.BrokerLink, err = proxy.NewLink(hosts[ToBroker]+":0", m.Broker.Addr(), seed)
	return m, err
}

func (m *Machine) close() error {
	if m.Process != nil {
		m.Kill()
	}
	// What did not come to be has nothing to close.
	if m.StoreLink != nil {
		m.StoreLink.Close()
	}
	if m.BrokerLink != nil {
		m.BrokerLink.Close()
	}
	if m.Store != nil {
		m.Store.Close()
	}
	if m.Broker != nil {
		m.Broker.Close()
	}
	if m.Space != nil {
		return m.Space.Close()
	}
	return nil
}

// env is the program's settings on this machine.
func (m *Machine) env(more []string) []string {
	g := m.c.kit.gateway
	return append([]string{
		"CHAPTERHOUSE_STORE=s3://" + m.c.bucket,
		"CHAPTERHOUSE_S3_ENDPOINT=http://" + m.StoreLink.Addr(),
		"CHAPTERHOUSE_S3_REGION=" + s3test.Region,
		"CHAPTERHOUSE_S3_ACCESS_KEY=" + g.AccessKey,
		"CHAPTERHOUSE_S3_SECRET_KEY=" + g.SecretKey,
		"CHAPTERHOUSE_BROKER_URL=nats://" + m.BrokerLink.Addr(),
		fmt.Sprintf("CHAPTERHOUSE_BROKER_REPLICAS=%d", m.c.Broker.Servers()),
		fmt.Sprintf("CHAPTERHOUSE_BROKER_LEASE_S=%g", lease.Seconds()),
		"CHAPTERHOUSE_NAME=" + m.Name,
		"CHAPTERHOUSE_SCRATCH=" + m.Scratch,
		"CHAPTERHOUSE_LOG=info",
	}, more...)
}

// start runs a command of a build of the program until it is ended.
func (m *Machine) start(ctx context.Context, variant string, env []string, args ...string) error {
	program, err := m.c.kit.program(ctx, variant)
	if err != nil {
		return err
	}
	m.Process, err = Start(Command{
		Name: m.Name, Space: m.Space, Args: append([]string{program}, args...), Env: m.env(env), Dir: m.c.dir,
	})
	return err
}

// call runs a command to its end and returns what it printed.
func (m *Machine) call(ctx context.Context, variant string, args ...string) (string, error) {
	program, err := m.c.kit.program(ctx, variant)
	if err != nil {
		return "", err
	}
	cmd := exec.CommandContext(ctx, program, args...)
	cmd.Env = append(os.Environ(), m.env(nil)...)
	var said strings.Builder
	cmd.Stderr = &said
	out, err := cmd.Output()
	if err != nil {
		return string(out), fmt.Errorf("%s: %w: %s", args[0], err, strings.TrimSpace(said.String()))
	}
	return string(out), nil
}

// until waits for something that a process may no longer bring about when it
// has ended by itself; an error has the last words of all of them.
func (c *Cluster) until(ctx context.Context, limit time.Duration, what string, holds func() bool) error {
	err := await(ctx, limit, what, func() (bool, error) {
		if holds() {
			return true, nil
		}
		return false, c.ended()
	})
	if err != nil {
		err = fmt.Errorf("%w\n%s", err, c.says())
	}
	return err
}

// closed waits until a title's wanted run stands.
func (c *Cluster) closed(ctx context.Context, title string, limit time.Duration) error {
	return c.until(ctx, limit, "title "+title+" is closed", func() bool { return c.isClosed(title) })
}

func (c *Cluster) isClosed(title string) bool {
	t, err := c.Bucket.Title(title) // an error: it is being written
	return err == nil && t.Wanted != "" && t.Wanted == t.Standing
}

// ended names a machine whose process ended by itself.
func (c *Cluster) ended() error {
	for _, m := range c.machines {
		if m.Process != nil && !m.Running() && !m.killed() {
			return fmt.Errorf("%s has ended: %s", m.Name, m.Says())
		}
	}
	return nil
}

// says is the last words of every process.
func (c *Cluster) says() string {
	var b strings.Builder
	for _, m := range c.machines {
		if m.Process != nil {
			fmt.Fprintf(&b, "%s says: %s\n", m.Name, m.Says())
		}
	}
	return b.String()
}
