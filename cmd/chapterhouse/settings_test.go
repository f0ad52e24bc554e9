package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"go.uber.org/zap"
)

// canary is a secret that must never be seen.
const canary = "canary-7f3a9c"

func TestSettings(t *testing.T) {
	for _, c := range []struct {
		name, file string
		env        map[string]string
		flag       int
		check      func(settings) any
		want       any
	}{
		{"a file", "slots: 3\nstore: s3://house/night\nbroker: {url: \"nats://one:4222,nats://two:4222\", replicas: 1}", nil, 0,
			func(s settings) any {
				return strings.TrimSpace(fmt.Sprintln(s.Slots, s.Store, s.Broker.URL, s.Broker.Replicas, s.Broker.LeaseS, s.Night.Slots, s.Log))
			},
			"3 s3://house/night nats://one:4222,nats://two:4222 1 60 64"},
		{"the environment over the file", "slots: 3\ns3: {region: here}", map[string]string{"CHAPTERHOUSE_SLOTS": "4", "CHAPTERHOUSE_S3_REGION": "there"}, 0,
			func(s settings) any { return fmt.Sprint(s.Slots, " ", s.S3.Region) }, "4 there"},
		{"a flag over both", "slots: 3", map[string]string{"CHAPTERHOUSE_SLOTS": "4"}, 5, func(s settings) any { return s.Slots }, 5},
		{"times of a night", "stuck_s: 2\nnight: {scan_s: 3, silence_s: 4}", nil, 0,
			func(s settings) any { return fmt.Sprint(s.StuckS, s.Night.ScanS, s.Night.SilenceS) }, "2 3 4"},
		{"an empty variable says nothing", "slots: 3", map[string]string{"CHAPTERHOUSE_SLOTS": ""}, 0, func(s settings) any { return s.Slots }, 3},
		{"a group with nothing in it", "s3:\nslots: 2", nil, 0, func(s settings) any { return s.Slots }, 2},
		{"a secret of digits, in the environment", "", map[string]string{"CHAPTERHOUSE_S3_SECRET_KEY": "0123"}, 0,
			func(s settings) any { return string(s.S3.SecretKey) }, "0123"},
	} {
		t.Run(c.name, func(t *testing.T) {
			settingsFile(t, c.file, c.env)
			s, err := loadSettings(c.flag)
			if err != nil {
				t.Fatal(err)
			}
			if got := c.check(s); got != c.want {
				t.Errorf("%v, not %v", got, c.want)
			}
		})
	}
}

// TestSettingsFaults: what is wrong is said in a sentence, with what there is,
// and without a secret.
func TestSettingsFaults(t *testing.T) {
	for _, c := range []struct {
		name, file string
		env        map[string]string
		want       string
	}{
		{"an unknown key", "slot: 3", nil, "slot is not a known key; there are broker.ca_file, broker.cert_file,"},
		{"an unknown key in a group", "s3: {secret: " + canary + "}", nil, "s3.secret is not a known key; there are"},
		{"a group that is a value", "s3: " + canary, nil, "s3 is not a known key; there are"},
		{"no number", "slots: many", nil, "slots is many: give a whole number"},
		{"half a slot", "slots: 1.5", nil, "slots is 1.5: give a whole number"},
		{"no number in the environment", "", map[string]string{"CHAPTERHOUSE_NIGHT_SLOTS": "x"}, "night.slots is x: give a whole number"},
		{"no slots", "slots: 0", nil, "slots is 0: at least one chapter at a time"},
		{"a loud log", "log: loud", nil, `log is "loud": use debug, info, warn or error`},
		{"a name with a dot", "name: a.b", nil, `name is "a.b": use a-z 0-9 and - only`},
		{"nine replicas", "broker: {replicas: 9}", nil, "broker.replicas is 9: from 1 to 5"},
		{"a lease that no beat keeps", "broker: {lease_s: 1}", nil, "broker.lease_s is 1: at least 5"},
		{"a child that may say nothing", "stuck_s: 0", nil, "stuck_s is 0: at least 1"},
		{"a night without a look", "night: {scan_s: 0}", nil, "night.scan_s is 0: at least 1"},
		{"rings that are dead at once", "night: {silence_s: 10}", nil, "night.silence_s is 10: more than night.scan_s, which is 10"},
		{"a secret that YAML takes for a number", "s3: {secret_key: 0123}", nil, "s3.secret_key is no text: put it in quotes"},
		{"a secret that YAML takes for a list", "broker: {password: [" + canary + "]}", nil, "broker.password is no text: put it in quotes"},
		{"a secret that YAML takes for an alias", "broker:\n  password: *" + canary, nil, "is not readable as YAML at its first line; check quotes"},
		{"a secret that spoils the YAML", "broker:\n  password: \"" + canary + "\n", nil, "is not readable as YAML at line"},
		{"a file of one secret", canary, nil, "is not readable as YAML"},
		{"a secret twice", "broker: {password: " + canary + ", password_file: there}", nil, "there are both broker.password and broker.password_file: keep one of them"},
		{"a secret's file that is not there", "s3: {secret_key_file: nowhere}", nil, "s3.secret_key_file: open nowhere: no such file"},
		{"a secret in a URL", "broker: {url: \"nats://me:" + canary + "@there:4222\"}", nil, "broker.url holds a user or password: give them in settings of their own"},
		{"a secret in the store's URL", "store: s3://me:" + canary + "@house", nil, "store holds a user or password"},
	} {
		t.Run(c.name, func(t *testing.T) {
			settingsFile(t, c.file, c.env)
			_, err := loadSettings(0)
			if err == nil {
				t.Fatal("no fault was found")
			}
			if text := err.Error(); !strings.HasPrefix(text, "settings: ") || !strings.Contains(text, c.want) || strings.Contains(text, canary) || strings.Contains(text, "\n") {
				t.Errorf("%q, not %q", text, c.want)
			}
		})
	}
	t.Setenv("CHAPTERHOUSE_SETTINGS", "nowhere.yaml")
	if _, err := loadSettings(0); err == nil || !strings.Contains(err.Error(), "open nowhere.yaml: no such file") {
		t.Errorf("a file that is not there: %v", err)
	}
}

// settingsFile makes a settings file and an environment for one test.
func settingsFile(t *testing.T, text string, env map[string]string) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "settings.yaml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	t.Setenv("CHAPTERHOUSE_SETTINGS", path)
	for key, value := range env {
		t.Setenv(key, value)
	}
}

// TestSecretFile: a secret may lie in a file of its own, with the line's end
// that editors leave.
func TestSecretFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(path, []byte(" "+canary+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	settingsFile(t, "broker: {password_file: "+path+"}", map[string]string{"CHAPTERHOUSE_S3_SECRET_KEY_FILE": path})
	s, err := loadSettings(0)
	if err != nil {
		t.Fatal(err)
	}
	if string(s.Broker.Password) != canary || string(s.S3.SecretKey) != canary {
		t.Error("the file's secret was not read")
	}
}

// TestSecret: whatever prints a secret, alone or in a struct, prints nothing of it.
func TestSecret(t *testing.T) {
	s := settings{S3: s3Settings{AccessKey: "seen", SecretKey: canary}, Broker: brokerSettings{Password: canary}}
	var text strings.Builder
	for _, verb := range []string{"%v", "%+v", "%#v", "%s", "%q", "%x", "%X", "%d", "%t", "%T"} {
		fmt.Fprintf(&text, verb+"\n", s.S3.SecretKey)
		fmt.Fprintf(&text, verb+"\n", s)
		fmt.Fprintf(&text, verb+"\n", &s)
		fmt.Fprintf(&text, verb+"\n", map[Secret]Secret{canary: canary})
	}
	for _, v := range []any{s, s.S3.SecretKey, []Secret{canary}} {
		out, err := json.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		text.Write(out)
	}
	fmt.Fprintln(&text, s.Broker.Password, s)
	var logged bytes.Buffer
	log := settings{Log: "debug"}.logger(&logged)
	log.Info("set", zap.Any("settings", s), zap.Any("secret", s.S3.SecretKey), zap.Stringer("password", s.Broker.Password), zap.Reflect("s3", s.S3))
	log.Sugar().Infow("set", "settings", s, "secret", s.Broker.Password)
	text.WriteString(logged.String())
	all := text.String()
	for _, seen := range []string{canary, fmt.Sprintf("%x", canary), fmt.Sprintf("%X", canary)} {
		if strings.Contains(all, seen) {
			t.Errorf("the secret is shown: %s", all)
		}
	}
	if !strings.Contains(all, redacted) || !strings.Contains(all, "seen") {
		t.Errorf("nothing is shown of it at all: %s", all)
	}
}
