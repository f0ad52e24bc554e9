package s3

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"net"
	"net/http"
	"time"
)

// timeouts end what would otherwise wait for ever.
type timeouts struct {
	header time.Duration // a server may take so long to begin its answer
	still  time.Duration // a connection on which nothing moves for so long is dead
}

var usualTimeouts = timeouts{header: 30 * time.Second, still: time.Minute}

// idlePerHost: a coordinator has hundreds of small calls under way, and should
// not make a connection for each.
const idlePerHost = 256

// newTransport is how one store speaks to its server: HTTP/1.1, where each
// transfer has a connection of its own. authorities are PEM certificates, nil
// for the system's alone.
func newTransport(authorities []byte, t timeouts) (*http.Transport, error) {
	config := &tls.Config{MinVersion: tls.VersionTLS12}
	if authorities != nil {
		pool, err := x509.SystemCertPool()
		if err != nil {
			pool = x509.NewCertPool()
		}
		if !pool.AppendCertsFromPEM(authorities) {
			return nil, errors.New("no PEM certificate is in it")
		}
		config.RootCAs = pool
	}
	dialer := &net.Dialer{Timeout: 10 * time.Second, KeepAlive: 15 * time.Second}
	return &http.Transport{
		Proxy: http.ProxyFromEnvironment,
		DialContext: func(ctx context.Context, network, address string) (net.Conn, error) {
			conn, err := dialer.DialContext(ctx, network, address)
			if err != nil {
				return nil, err
			}
			return &moving{conn, t.still}, nil
		},
		TLSClientConfig:       config,
		TLSHandshakeTimeout:   10 * time.Second,
		ResponseHeaderTimeout: t.header,
		IdleConnTimeout:       50 * time.Second,
		MaxIdleConnsPerHost:   idlePerHost,
		DisableCompression:    true, // what is stored compressed stays so
	}, nil
}

// moving is a connection that ends when nothing moves on it: without it a
// server that stops in the middle of a body would hold its reader for ever.
// Time in which nobody reads or writes does not count.
type moving struct {
	net.Conn
	still time.Duration
}

func (m *moving) Read(p []byte) (int, error) {
	if err := m.SetDeadline(time.Now().Add(m.still)); err != nil {
		return 0, err
	}
	return m.Conn.Read(p)
}

func (m *moving) Write(p []byte) (int, error) {
	if err := m.SetDeadline(time.Now().Add(m.still)); err != nil {
		return 0, err
	}
	return m.Conn.Write(p)
}
