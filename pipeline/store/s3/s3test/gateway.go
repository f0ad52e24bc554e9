// Package s3test runs an S3 server on this machine, for tests and for proofs:
// versitygw (Apache-2.0), which keeps objects as files below a folder. It is
// a program of its own, so that it can be killed and started again.
package s3test

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"github.com/minio/minio-go/v7"
	"github.com/minio/minio-go/v7/pkg/credentials"
)

// ErrNotInstalled: there is no versitygw on this machine.
var ErrNotInstalled = errors.New("versitygw is neither on PATH nor in $CHAPTERHOUSE_TOOLS; " +
	"go install github.com/versity/versitygw/cmd/versitygw@v1.8.0 makes it")

const (
	// Region is what the server takes its clients to be in.
	Region = "us-east-1"

	patience = 30 * time.Second // for one call, and for the start of a server
)

// Gateway is a running server. Its owner's keys may do everything.
type Gateway struct {
	Endpoint             string // "http://127.0.0.1:port"
	AccessKey, SecretKey string

	program, dir string
	client       *minio.Client
	process      *exec.Cmd
	ended        chan struct{} // closed when the process is gone
}

// Find is the path of the program; ErrNotInstalled.
func Find() (string, error) {
	if path, err := exec.LookPath("versitygw"); err == nil {
		return path, nil
	}
	if dir := os.Getenv("CHAPTERHOUSE_TOOLS"); dir != "" {
		if path, err := exec.LookPath(filepath.Join(dir, "versitygw")); err == nil {
			return path, nil
		}
	}
	return "", ErrNotInstalled
}

// Start runs a server on a free port of 127.0.0.1 and waits until it answers.
// All it keeps lies below dir: buckets in buckets/, users in users/, and what
// it says in gateway.log. dir needs a file system with extended attributes.
// The server ends with Stop, or with this process. ErrNotInstalled.
func Start(dir string) (*Gateway, error) {
	program, err := Find()
	if err != nil {
		return nil, err
	}
	dir, err = filepath.Abs(dir) // the server changes its folder
	if err != nil {
		return nil, err
	}
	for _, d := range []string{"buckets", "users"} {
		if err := os.MkdirAll(filepath.Join(dir, d), 0o755); err != nil {
			return nil, err
		}
	}
	g := &Gateway{AccessKey: "owner", SecretKey: rand.Text(), program: program, dir: dir}
	// Another program may take the port between our look and the server's.
	for range 5 {
		address, err := freeAddress()
		if err != nil {
			return nil, err
		}
		if err = g.connect(address); err != nil {
			return nil, err
		}
		if err = g.Resume(); err == nil {
			return g, nil
		}
		if !strings.Contains(err.Error(), "address already in use") {
			return nil, err
		}
	}
	return nil, errors.New("found no port for versitygw")
}

func freeAddress() (string, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	return l.Addr().String(), l.Close()
}

func (g *Gateway) connect(address string) (err error) {
	g.Endpoint = "http://" + address
	g.client, err = minio.New(address, &minio.Options{
		Creds: credentials.NewStaticV4(g.AccessKey, g.SecretKey, ""), Region: Region, MaxRetries: 1,
	})
	return err
}

// Resume starts the server again after Stop: same address, keys and files.
func (g *Gateway) Resume() error {
	log, err := os.Create(filepath.Join(g.dir, "gateway.log"))
	if err != nil {
		return err
	}
	defer log.Close()
	cmd := exec.Command(g.program,
		"--port", strings.TrimPrefix(g.Endpoint, "http://"), "--region", Region, "--keep-alive", "--quiet",
		"--iam-dir", filepath.Join(g.dir, "users"), "--iam-cache-disable", // whom we remove is out at once
		"posix", filepath.Join(g.dir, "buckets"))
	cmd.Env = append(os.Environ(), "ROOT_ACCESS_KEY_ID="+g.AccessKey, "ROOT_SECRET_ACCESS_KEY="+g.SecretKey)
	cmd.Stdout, cmd.Stderr = log, log
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := cmd.Start(); err != nil {
		return fmt.Errorf("start versitygw: %w", err)
	}
	ended := make(chan struct{})
	go func() { _ = cmd.Wait(); close(ended) }()
	g.process, g.ended = cmd, ended
	if err := g.ready(); err != nil {
		g.Stop()
		return err
	}
	return nil
}

// ready waits until the server answers to its own secret, which no other
// program on that port would.
func (g *Gateway) ready() error {
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	for {
		_, err := g.client.ListBuckets(ctx)
		if err == nil {
			return nil
		}
		select {
		case <-g.ended:
			return fmt.Errorf("versitygw ended: %s", g.lastWords())
		case <-ctx.Done():
			return fmt.Errorf("versitygw does not answer (%w): %s", err, g.lastWords())
		case <-time.After(20 * time.Millisecond):
		}
	}
}

func (g *Gateway) lastWords() string {
	said, _ := os.ReadFile(filepath.Join(g.dir, "gateway.log"))
	said = bytes.TrimSpace(said)
	return string(said[max(0, len(said)-500):])
}

// Stop kills the server. Its files stay.
func (g *Gateway) Stop() {
	_ = g.process.Process.Kill()
	<-g.ended
}

// Pid is the server's process.
func (g *Gateway) Pid() int { return g.process.Process.Pid }

// BucketDir is the folder whose files are a bucket's objects under their names.
func (g *Gateway) BucketDir(bucket string) string { return filepath.Join(g.dir, "buckets", bucket) }

// NewBucket makes a bucket that belongs to the owner.
func (g *Gateway) NewBucket(name string) error {
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	return g.client.MakeBucket(ctx, name, minio.MakeBucketOptions{Region: Region})
}

// Put writes an object, whatever was there: as anyone with the owner's keys can.
func (g *Gateway) Put(bucket, name string, data []byte) error {
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	_, err := g.client.PutObject(ctx, bucket, name, bytes.NewReader(data), int64(len(data)), minio.PutObjectOptions{})
	return err
}

// SetPolicy sets what users may do in a bucket: a bucket policy, as JSON. A
// user is named as principal by the access key.
func (g *Gateway) SetPolicy(bucket, policy string) error {
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	return g.client.SetBucketPolicy(ctx, bucket, policy)
}

// AddUser adds a user, who may do what bucket policies allow.
func (g *Gateway) AddUser(accessKey, secretKey string) error {
	return g.admin("create-user", "--access", accessKey, "--secret", secretKey, "--role", "user")
}

// RemoveUser removes a user, whose requests are refused from now on.
func (g *Gateway) RemoveUser(accessKey string) error {
	return g.admin("delete-user", "--access", accessKey)
}

func (g *Gateway) admin(args ...string) error {
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	cmd := exec.CommandContext(ctx, g.program, append([]string{"admin", "--endpoint-url", g.Endpoint, "--region", Region}, args...)...)
	cmd.Env = append(os.Environ(), "ADMIN_ACCESS_KEY_ID="+g.AccessKey, "ADMIN_SECRET_ACCESS_KEY="+g.SecretKey)
	if said, err := cmd.CombinedOutput(); err != nil {
		return fmt.Errorf("versitygw admin %s: %w: %s", args[0], err, bytes.TrimSpace(said))
	}
	return nil
}
