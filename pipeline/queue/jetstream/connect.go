package jetstream

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go"

	"chapterhouse/pipeline"
)

// Dial connects to the servers at url (several with commas between) and stays
// connected: it does not wait for the first connection, Connect does. name is
// this process's, of a-z 0-9 and -: answers come to subjects below
// _INBOX_w.<name>. lost is called, from another goroutine, when the connection
// can't be had again, the broker refuses what this process needs, or answers
// no Lease for minutes: the process should end then. More options say how to
// prove who we are, see Secure: a URL is shown in errors and logs, so it must
// hold no password.
func Dial(url, name string, lost func(error), more ...nats.Option) (*nats.Conn, error) {
	if strings.Contains(url, "@") {
		return nil, pipeline.Errorf(pipeline.House, "", "the broker's URL holds a user or password: give them as broker.user and broker.password_file")
	}
	if strings.Trim(name, "abcdefghijklmnopqrstuvwxyz0123456789-") != "" || name == "" {
		return nil, pipeline.Errorf(pipeline.House, "", "%q is no name for the broker to know this process by: it may hold a-z 0-9 and - only", name)
	}
	nc, err := nats.Connect(url, append(connection(name, lost), more...)...)
	if err != nil {
		return nil, pipeline.Errorf(pipeline.Infra, "", "connect to the broker at %s: %w; see that it runs and may be reached from here", url, err)
	}
	return nc, nil
}

func connection(name string, lost func(error)) []nats.Option {
	return []nats.Option{
		nats.Name(name),
		nats.CustomInboxPrefix("_INBOX_w." + name),
		nats.MaxReconnects(-1),
		nats.RetryOnFailedConnect(true),
		nats.ReconnectWait(time.Second),
		nats.ReconnectJitter(500*time.Millisecond, 2*time.Second),
		nats.PingInterval(15 * time.Second),
		nats.MaxPingsOutstanding(3),
		nats.ReconnectBufSize(-1), // what can't be sent now fails now
		nats.DrainTimeout(30 * time.Second),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) {
			// A refused request is not answered: without this it would look
			// like a slow broker for ever.
			switch {
			case errors.Is(err, nats.ErrPermissionViolation), errors.Is(err, nats.ErrAuthorization):
				lost(pipeline.Errorf(pipeline.Infra, "", "the broker refuses this process: %w; see to its credentials", err))
			case errors.Is(err, errDeaf):
				lost(err)
			}
		}),
		nats.ClosedHandler(func(nc *nats.Conn) {
			if err := nc.LastError(); err != nil {
				lost(pipeline.Errorf(pipeline.Infra, "", "the connection to the broker is closed: %w", err))
			}
		}),
	}
}

// up waits until a connection is there.
func up(ctx context.Context, nc *nats.Conn) error {
	for !nc.IsConnected() {
		if nc.IsClosed() {
			return pipeline.Errorf(pipeline.Infra, "", "the broker at %v lets nobody in (%w): see to the user, password and certificates", nc.Servers(), lastError(nc, nats.ErrConnectionClosed))
		}
		if ctx.Err() != nil {
			return pipeline.Errorf(pipeline.Infra, "", "no broker answers at %v (%w): see that it runs and may be reached from here", nc.Servers(), lastError(nc, ctx.Err()))
		}
		sleep(ctx, 20*time.Millisecond)
	}
	return nil
}

// lastError is the client's last error beside what is known of the end, on one line.
func lastError(nc *nats.Conn, end error) error {
	if last := nc.LastError(); last != nil {
		return fmt.Errorf("%w: %w", end, last)
	}
	return end
}

// recent refuses servers that lose work queues: up to 2.10.22 whole streams
// when killed, 2.12.3 and 2.12.4 messages at their last delivery.
func recent(version string) error {
	var major, minor int
	if _, err := fmt.Sscanf(version, "%d.%d", &major, &minor); err != nil || major < 2 || major == 2 && minor < 14 {
		return pipeline.Errorf(pipeline.Infra, "", "the broker is nats-server %q; 2.14 or later is needed, older ones lose work", version)
	}
	return nil
}
