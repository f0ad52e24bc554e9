package jetstream

import (
	"context"
	"crypto/tls"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/jwt/v2"
	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nkeys"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue/jetstream/natstest"
)

// canary is a secret that must show up nowhere.
const canary = "c4n4ry-c4n4ry"

// secured is a server that wants TLS, and a certificate where verify is set.
func secured(t *testing.T, p *natstest.Papers, verify bool) (url string) {
	t.Helper()
	config, err := server.GenTLSConfig(&server.TLSConfigOpts{
		CertFile: p.Cert("server"), KeyFile: p.Key("server"), CaFile: p.Cert("ca"), Verify: verify, MinVersion: tls.VersionTLS12,
	})
	must(t, err)
	s := serving(t, &server.Options{
		StoreDir: t.TempDir(), JetStream: true, JetStreamMaxMemory: embeddedMemory, JetStreamMaxStore: embeddedStore,
		TLSConfig: config, TLSVerify: verify, TLSTimeout: 5, Username: "w1", Password: canary,
	})
	return "tls://" + s.Addr().String()
}

// patience is how long a connection is waited for: who is to be let in may take
// his time, who is not must have heard of it at least once.
func patience(letIn bool) time.Duration {
	if letIn {
		return time.Minute
	}
	return 6 * time.Second
}

// dialed connects and asks the broker for something.
func dialed(t *testing.T, url string, o SecureOptions, patience time.Duration) error {
	t.Helper()
	options, err := Secure(o)
	if err != nil {
		return err
	}
	nc, err := Dial(url, "w1", func(error) {}, options...)
	if err != nil {
		return err
	}
	defer nc.Close()
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	_, err = Connect(ctx, nc, Options{Replicas: 1, MaxBytes: 1 << 20})
	return err
}

func TestSecure(t *testing.T) {
	t.Parallel()
	p, other := natstest.NewPapers(t, "server", "client"), natstest.NewPapers(t, "client")
	plain, verified := secured(t, p, false), secured(t, p, true)
	me := SecureOptions{User: "w1", Password: canary, CAFile: p.Cert("ca")}
	with := func(change func(*SecureOptions)) SecureOptions { o := me; change(&o); return o }
	certified := with(func(o *SecureOptions) { o.CertFile, o.KeyFile = p.Cert("client"), p.Key("client") })
	for name, c := range map[string]struct {
		url string
		o   SecureOptions
		why string // "": it is let in
	}{
		"user and CA":               {plain, me, ""},
		"without naming TLS":        {strings.Replace(plain, "tls://", "nats://", 1), me, ""},
		"and a certificate":         {verified, certified, ""},
		"no certificate":            {verified, me, "broker"},
		"another's certificate":     {verified, with(func(o *SecureOptions) { o.CertFile, o.KeyFile = other.Cert("client"), other.Key("client") }), "broker"},
		"a server of another CA":    {plain, with(func(o *SecureOptions) { o.CAFile = other.Cert("ca") }), "unknown authority"},
		"the machine's trust":       {plain, with(func(o *SecureOptions) { o.CAFile = "" }), "unknown authority"},
		"wrong password":            {plain, with(func(o *SecureOptions) { o.Password = canary + "!" }), "Authorization Violation"},
		"nobody":                    {plain, SecureOptions{CAFile: p.Cert("ca")}, "Authorization Violation"},
		"a password in the URL":     {strings.Replace(plain, "//", "//w1:"+canary+"@", 1), SecureOptions{CAFile: p.Cert("ca")}, "broker.password_file"},
		"a broken URL with one":     {"nats://w1:" + canary + "%zz@h", me, "broker.password_file"},
		"a plain server, TLS asked": {"nats://" + serving(t, &server.Options{}).Addr().String(), me, "secure connection not available"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			err := dialed(t, c.url, c.o, patience(c.why == ""))
			if (err == nil) != (c.why == "") || err != nil && !strings.Contains(err.Error(), c.why) {
				t.Errorf("%v, want %q", err, c.why)
			}
			if strings.Contains(fmt.Sprintf("%+v", err), canary) {
				t.Errorf("the error tells the password: %v", err)
			}
		})
	}
}

// serving is a server on a port of the loopback.
func serving(t *testing.T, o *server.Options) *server.Server {
	t.Helper()
	o.Host, o.Port, o.NoSigs, o.NoLog = "127.0.0.1", -1, true, true
	s, err := server.NewServer(o)
	must(t, err)
	s.Start()
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	if !s.ReadyForConnections(startWait) {
		t.Fatal("the server did not get ready")
	}
	return s
}

func TestSecureOptions(t *testing.T) {
	p := natstest.NewPapers(t, "server", "client")
	text := filepath.Join(t.TempDir(), "text")
	must(t, os.WriteFile(text, []byte(canary), 0o600))
	gone := filepath.Join(t.TempDir(), "gone")
	for why, o := range map[string]SecureOptions{
		"both a credentials file and a user":  {User: "w1", CredsFile: text},
		"no user":                             {Password: canary},
		"has no password":                     {User: "w1"},
		text + " is no NATS credentials file": {CredsFile: text},
		gone + ": no such file":               {CredsFile: gone},
		text + " holds no certificate":        {CAFile: text},
		"broker CA: open " + gone:             {CAFile: gone},
		"go together":                         {CertFile: p.Cert("client")},
		"with " + p.Key("server"):             {CertFile: p.Cert("client"), KeyFile: p.Key("server")},
	} {
		_, err := Secure(o)
		if pipeline.KindOf(err) != pipeline.House || !strings.Contains(fmt.Sprint(err), why) {
			t.Errorf("%v, want %q of kind house", err, why)
		}
		if strings.Contains(fmt.Sprint(err), canary) {
			t.Errorf("the error tells a secret: %v", err)
		}
	}
	if options, err := Secure(SecureOptions{}); err != nil || len(options) != 0 {
		t.Errorf("nothing asked: %d options, %v", len(options), err)
	}
	for _, name := range []string{"", "Host.domain", "a b", "a.>", "*"} {
		if _, err := Dial("nats://127.0.0.1:1", name, func(error) {}); pipeline.KindOf(err) != pipeline.House {
			t.Errorf("name %q: %v, want kind house", name, err)
		}
	}
}

// TestCredsFile lets a user in by a NATS credentials file.
func TestCredsFile(t *testing.T) {
	t.Parallel()
	pair := func(make func() (nkeys.KeyPair, error)) (nkeys.KeyPair, string) {
		keys, err := make()
		must(t, err)
		public, err := keys.PublicKey()
		must(t, err)
		return keys, public
	}
	operator, operatorID := pair(nkeys.CreateOperator)
	account, accountID := pair(nkeys.CreateAccount)
	user, userID := pair(nkeys.CreateUser)
	accountToken, err := jwt.NewAccountClaims(accountID).Encode(operator)
	must(t, err)
	userToken, err := jwt.NewUserClaims(userID).Encode(account)
	must(t, err)
	trusted := jwt.NewOperatorClaims(operatorID)
	_, err = trusted.Encode(operator)
	must(t, err)
	accounts := &server.MemAccResolver{}
	must(t, accounts.Store(accountID, accountToken))
	s := serving(t, &server.Options{TrustedOperators: []*jwt.OperatorClaims{trusted}, AccountResolver: accounts})

	seed, err := user.Seed()
	must(t, err)
	creds, err := jwt.FormatUserConfig(userToken, seed)
	must(t, err)
	file := filepath.Join(t.TempDir(), "w1.creds")
	must(t, os.WriteFile(file, creds, 0o600))
	for name, c := range map[string]struct {
		o  SecureOptions
		ok bool
	}{"with it": {SecureOptions{CredsFile: file}, true}, "without": {SecureOptions{}, false}} {
		options, err := Secure(c.o)
		must(t, err)
		nc, err := Dial("nats://"+s.Addr().String(), "w1", func(error) {}, options...)
		must(t, err)
		defer nc.Close()
		ctx, cancel := context.WithTimeout(t.Context(), patience(c.ok))
		defer cancel()
		if _, err := Connect(ctx, nc, Options{LeaseOnly: true}); (err == nil) != c.ok {
			t.Errorf("%s: %v", name, err)
		}
	}
}
