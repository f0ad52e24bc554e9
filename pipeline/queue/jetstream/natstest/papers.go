// Package natstest makes what tests of a secured broker need: certificates,
// and a cluster of real servers from configuration files.
package natstest

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// Papers are certificates in a folder, all signed by the first: NAME.pem and
// NAME-key.pem. They hold for 127.0.0.1 and an hour.
type Papers struct {
	Dir string
	ca  *x509.Certificate
	key *ecdsa.PrivateKey
}

// NewPapers makes an authority, ca, and certificates of the names given.
func NewPapers(t *testing.T, names ...string) *Papers {
	t.Helper()
	p := &Papers{Dir: t.TempDir()}
	p.issue(t, "ca")
	for _, name := range names {
		p.issue(t, name)
	}
	return p
}

// Cert and Key are the files of a name.
func (p *Papers) Cert(name string) string { return filepath.Join(p.Dir, name+".pem") }
func (p *Papers) Key(name string) string  { return filepath.Join(p.Dir, name+"-key.pem") }

func (p *Papers) issue(t *testing.T, name string) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	must(t, err)
	paper := &x509.Certificate{
		SerialNumber: big.NewInt(time.Now().UnixNano()), Subject: pkix.Name{CommonName: name},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IsCA: p.ca == nil, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
	}
	if p.ca == nil {
		p.ca, p.key = paper, key
	}
	der, err := x509.CreateCertificate(rand.Reader, paper, p.ca, key.Public(), p.key)
	must(t, err)
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	must(t, err)
	write(t, p.Cert(name), "CERTIFICATE", der)
	write(t, p.Key(name), "PRIVATE KEY", secret)
}

func write(t *testing.T, path, kind string, der []byte) {
	t.Helper()
	must(t, os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600))
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}
