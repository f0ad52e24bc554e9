package jetstream

import (
	"crypto/tls"
	"crypto/x509"
	"os"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nkeys"

	"chapterhouse/pipeline"
)

// SecureOptions say to a broker who we are, and to us that it is the right
// one. Any CA or certificate makes the connection insist on TLS, as does a
// URL that starts with tls://.
type SecureOptions struct {
	User, Password    string
	CredsFile         string // NATS credentials: a token and its key, in one file; instead of user and password
	CAFile            string // PEM: who signs the servers' certificates; "": whom the machine trusts
	CertFile, KeyFile string // PEM: our own certificate, where the broker asks for one
}

// Secure makes options for Dial. Files are read now, so that a missing one is
// told at once, and again at every connection, so that renewed ones are taken
// up. No error holds a secret.
func Secure(o SecureOptions) ([]nats.Option, error) {
	var options []nats.Option
	switch {
	case o.CredsFile != "" && (o.User != "" || o.Password != ""):
		return nil, pipeline.Errorf(pipeline.House, "broker", "there are both a credentials file and a user: keep one of them")
	case o.CredsFile != "":
		text, err := os.ReadFile(o.CredsFile)
		if err != nil {
			return nil, pipeline.Errorf(pipeline.House, "broker credentials", "%w", err)
		}
		// The client would try a file that is none again and again.
		_, badToken := nkeys.ParseDecoratedJWT(text)
		_, badSeed := nkeys.ParseDecoratedUserNKey(text)
		if badToken != nil || badSeed != nil {
			return nil, pipeline.Errorf(pipeline.House, "broker credentials", "%s is no NATS credentials file: it must hold a user JWT and its seed", o.CredsFile)
		}
		options = append(options, nats.UserCredentials(o.CredsFile))
	case o.User == "" && o.Password != "":
		return nil, pipeline.Errorf(pipeline.House, "broker", "there is a password and no user: set broker.user")
	case o.User != "" && o.Password == "":
		return nil, pipeline.Errorf(pipeline.House, "broker", "user %s has no password: set broker.password_file, or CHAPTERHOUSE_BROKER_PASSWORD in the environment", o.User)
	case o.User != "":
		options = append(options, nats.UserInfo(o.User, o.Password))
	}
	if o.CAFile != "" {
		text, err := os.ReadFile(o.CAFile)
		if err != nil {
			return nil, pipeline.Errorf(pipeline.House, "broker CA", "%w", err)
		}
		if !x509.NewCertPool().AppendCertsFromPEM(text) {
			return nil, pipeline.Errorf(pipeline.House, "broker CA", "%s holds no certificate in PEM form", o.CAFile)
		}
		options = append(options, nats.RootCAs(o.CAFile))
	}
	if (o.CertFile == "") != (o.KeyFile == "") {
		return nil, pipeline.Errorf(pipeline.House, "broker certificate", "a certificate and its key go together: set both broker.cert_file and broker.key_file, or none")
	}
	if o.CertFile != "" {
		if _, err := tls.LoadX509KeyPair(o.CertFile, o.KeyFile); err != nil {
			return nil, pipeline.Errorf(pipeline.House, "broker certificate", "%s with %s: %w", o.CertFile, o.KeyFile, err)
		}
		options = append(options, nats.ClientCert(o.CertFile, o.KeyFile))
	}
	return options, nil
}
