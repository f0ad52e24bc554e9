package jetstream

import (
	"context"
	"fmt"
	"sync"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"

	"chapterhouse/pipeline"
)

// Server is a broker inside this process. It opens no port.
type Server struct {
	s   *server.Server
	log *lastWords
}

// What a night on one machine needs is little: a ring is some hundred bytes,
// and only a few per slot are out at a time.
const (
	embeddedStore  = 256 << 20
	embeddedStream = 128 << 20
	embeddedMemory = 1 << 20 // no stream lives in memory
	startWait      = 20 * time.Second
)

// Embedded starts a broker that keeps its store in dir, every write synced.
// What an earlier one left there is gone on with.
func Embedded(dir string) (*Server, error) {
	return start(&server.Options{StoreDir: dir, NoSystemAccount: true})
}

func start(o *server.Options) (*Server, error) {
	o.ServerName = "chapterhouse"
	o.DontListen = true
	o.NoSigs = true
	o.JetStream = true
	o.SyncAlways = true
	o.JetStreamMaxMemory = embeddedMemory
	o.JetStreamMaxStore = embeddedStore
	o.DisableJetStreamBanner = true
	o.MaxPayload = 1 << 20
	s, err := server.NewServer(o)
	if err != nil {
		return nil, pipeline.Errorf(pipeline.Infra, "", "start the broker in %s: %w", o.StoreDir, err)
	}
	e := &Server{s: s, log: &lastWords{}}
	s.SetLoggerV2(e.log, false, false, false)
	s.Start()
	ready := false
	for end := time.Now().Add(startWait); !ready && !e.log.fatal() && time.Now().Before(end); {
		ready = s.ReadyForConnections(20 * time.Millisecond)
	}
	if !ready || !s.JetStreamEnabled() {
		e.Close()
		return nil, pipeline.Errorf(pipeline.Infra, "", "start the broker in %s: %s; see that the folder can be written and its disk has space", o.StoreDir, e.log.last())
	}
	return e, nil
}

// Queue opens a queue on this server, for so many jobs at once.
func (e *Server) Queue(ctx context.Context, slots int) (*Queue, error) {
	return e.open(ctx, Options{Slots: slots})
}

func (e *Server) open(ctx context.Context, o Options) (*Queue, error) {
	o.Replicas = 1
	if o.MaxBytes == 0 {
		o.MaxBytes = embeddedStream
	}
	nc, err := Dial("", "local", func(error) {}, nats.InProcessServer(e.s))
	if err != nil {
		return nil, err
	}
	q, err := Connect(ctx, nc, o)
	if err != nil {
		nc.Close()
		return nil, err
	}
	return q, nil
}

// Close stops the server. Queues on it are closed first.
func (e *Server) Close() {
	e.s.Shutdown()
	e.s.WaitForShutdown()
}

// lastWords is the server's logger: only its last complaint is kept, for the
// error of a start that failed.
type lastWords struct {
	mu    sync.Mutex
	text  string
	ended bool // the server would have ended its process
}

func (l *lastWords) keep(format string, args []any) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.text = fmt.Sprintf(format, args...)
}

func (l *lastWords) fatal() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.ended
}

func (l *lastWords) last() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.text == "" {
		return "it did not get ready in time"
	}
	return l.text
}

// Fatalf is where the server's own logger would end the process.
func (l *lastWords) Fatalf(format string, args ...any) {
	l.keep(format, args)
	l.mu.Lock()
	defer l.mu.Unlock()
	l.ended = true
}

func (l *lastWords) Errorf(format string, args ...any) { l.keep(format, args) }
func (l *lastWords) Warnf(format string, args ...any)  { l.keep(format, args) }
func (l *lastWords) Noticef(string, ...any)            {}
func (l *lastWords) Debugf(string, ...any)             {}
func (l *lastWords) Tracef(string, ...any)             {}
