package main

import (
	"fmt"
	"io"
	"os"
	"regexp"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"time"

	"chapterhouse/pipeline"

	"github.com/spf13/viper"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
)

// settings are the service's own: one file, named by CHAPTERHOUSE_SETTINGS,
// and CHAPTERHOUSE_* over it.
type settings struct {
	Slots     int
	MemoryMiB int
	StuckS    int
	Log       string
	Name      string
	Scratch   string
	Metrics   string
	Store     string
	S3        s3Settings
	Broker    brokerSettings
	Night     nightSettings
}

type s3Settings struct {
	Endpoint, Region string
	AccessKey        string
	SecretKey        Secret
	SecretKeyFile    string
	CAFile           string
}

type brokerSettings struct {
	URL               string
	User              string
	Password          Secret
	PasswordFile      string
	CredsFile         string
	CAFile            string
	CertFile, KeyFile string
	Replicas          int
	LeaseS            int
}

type nightSettings struct{ Slots, ScanS, SilenceS int }

// A setting is one key, where its value goes and stands before anything is
// said, and what it takes: *int, *string or *Secret.
type setting struct {
	key   string
	to    any
	takes string
}

// all is every setting there is.
func (s *settings) all() []setting {
	return []setting{
		{"slots", &s.Slots, "a whole number"},
		{"memory_mib", &s.MemoryMiB, "a whole number"},
		{"stuck_s", &s.StuckS, "a whole number"},
		{"log", &s.Log, "one of debug, info, warn, error"},
		{"name", &s.Name, "a name of a-z 0-9 and -"},
		{"scratch", &s.Scratch, "a folder"},
		{"metrics", &s.Metrics, "an address as 127.0.0.1:9464"},
		{"store", &s.Store, "a folder or s3://bucket/prefix"},
		{"s3.endpoint", &s.S3.Endpoint, "a URL"},
		{"s3.region", &s.S3.Region, "a name"},
		{"s3.access_key", &s.S3.AccessKey, "text"},
		{"s3.secret_key", &s.S3.SecretKey, "text"},
		{"s3.secret_key_file", &s.S3.SecretKeyFile, "a file"},
		{"s3.ca_file", &s.S3.CAFile, "a file"},
		{"broker.url", &s.Broker.URL, "one or more URLs as nats://host:4222 with commas between"},
		{"broker.user", &s.Broker.User, "text"},
		{"broker.password", &s.Broker.Password, "text"},
		{"broker.password_file", &s.Broker.PasswordFile, "a file"},
		{"broker.creds_file", &s.Broker.CredsFile, "a file"},
		{"broker.ca_file", &s.Broker.CAFile, "a file"},
		{"broker.cert_file", &s.Broker.CertFile, "a file"},
		{"broker.key_file", &s.Broker.KeyFile, "a file"},
		{"broker.replicas", &s.Broker.Replicas, "a whole number"},
		{"broker.lease_s", &s.Broker.LeaseS, "a whole number"},
		{"night.slots", &s.Night.Slots, "a whole number"},
		{"night.scan_s", &s.Night.ScanS, "a whole number"},
		{"night.silence_s", &s.Night.SilenceS, "a whole number"},
	}
}

// loadSettings reads them; slots > 0 is a flag that was given.
func loadSettings(slots int) (settings, error) {
	s := settings{
		Slots: runtime.NumCPU(), MemoryMiB: 512, StuckS: 300, Name: ownName(),
		Broker: brokerSettings{Replicas: 3, LeaseS: 60}, Night: nightSettings{Slots: 64, ScanS: 10, SilenceS: 3600},
	}
	v := viper.New()
	v.SetEnvPrefix("chapterhouse")
	v.SetEnvKeyReplacer(strings.NewReplacer(".", "_"))
	v.AutomaticEnv()
	if path := os.Getenv("CHAPTERHOUSE_SETTINGS"); path != "" {
		if err := readSettings(v, path); err != nil {
			return s, err
		}
	}
	known := map[string]setting{}
	for _, one := range s.all() {
		known[one.key] = one
	}
	for _, key := range v.AllKeys() {
		group := slices.ContainsFunc(s.all(), func(one setting) bool { return strings.HasPrefix(one.key, key+".") })
		if _, ok := known[key]; !ok && !(group && v.Get(key) == nil) {
			return s, badSetting("in %s %s is not a known key; there are %s", os.Getenv("CHAPTERHOUSE_SETTINGS"), key, listed(known))
		}
	}
	for _, one := range s.all() {
		if err := one.read(v.Get(one.key)); err != nil {
			return s, err
		}
	}
	for _, f := range []struct {
		key, path string
		to        *Secret
	}{{"s3.secret_key", s.S3.SecretKeyFile, &s.S3.SecretKey}, {"broker.password", s.Broker.PasswordFile, &s.Broker.Password}} {
		if err := readSecret(f.key, f.path, f.to); err != nil {
			return s, err
		}
	}
	if slots > 0 {
		s.Slots = slots
	}
	return s, s.check()
}

// readSettings reads the file. What the YAML reader says of a fault may hold
// a piece of the file, and with it a secret: only the line is passed on.
func readSettings(v *viper.Viper, path string) error {
	f, err := os.Open(path)
	if err != nil {
		return badSetting("%w; CHAPTERHOUSE_SETTINGS names the file", err)
	}
	defer f.Close()
	v.SetConfigType("yaml")
	if err := v.ReadConfig(f); err != nil {
		where := regexp.MustCompile(`line \d+`).FindString(err.Error())
		if where == "" {
			where = "its first line"
		}
		return badSetting("%s is not readable as YAML at %s; check quotes, colons and indentation", path, where)
	}
	return nil
}

// read takes a value in; nil leaves what stands. A text must be one: YAML
// would make 0123 a number, and another one.
func (s setting) read(value any) error {
	switch to := s.to.(type) {
	case *int:
		switch value := value.(type) {
		case nil:
			return nil
		case int:
			*to = value
			return nil
		case string:
			if n, err := strconv.Atoi(value); err == nil {
				*to = n
				return nil
			}
		}
		return badSetting("%s is %v: give %s", s.key, value, s.takes)
	case *string:
		text, ok := value.(string)
		if value == nil {
			return nil
		}
		if *to = text; !ok {
			return badSetting("%s is no text: give %s, in quotes", s.key, s.takes)
		}
	case *Secret:
		text, ok := value.(string)
		if value == nil {
			return nil
		}
		if *to = Secret(text); !ok {
			return badSetting("%s is no text: put it in quotes", s.key)
		}
	}
	return nil
}

// readSecret reads a secret from the file that holds it alone.
func readSecret(key, path string, to *Secret) error {
	if path == "" {
		return nil
	}
	if *to != "" {
		return badSetting("there are both %s and %s_file: keep one of them", key, key)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return badSetting("%s_file: %w", key, err)
	}
	if *to = Secret(strings.TrimSpace(string(text))); *to == "" {
		return badSetting("%s_file: %s is empty", key, path)
	}
	return nil
}

func (s settings) check() error {
	switch {
	case s.Slots < 1:
		return badSetting("slots is %d: at least one chapter at a time", s.Slots)
	case s.MemoryMiB < 128:
		return badSetting("memory_mib is %d: at least 128", s.MemoryMiB)
	case s.StuckS < 1:
		return badSetting("stuck_s is %d: at least 1", s.StuckS)
	case s.Night.Slots < 1:
		return badSetting("night.slots is %d: at least one", s.Night.Slots)
	case s.Night.ScanS < 1:
		return badSetting("night.scan_s is %d: at least 1", s.Night.ScanS)
	case s.Night.SilenceS <= s.Night.ScanS:
		return badSetting("night.silence_s is %d: more than night.scan_s, which is %d", s.Night.SilenceS, s.Night.ScanS)
	case s.Broker.Replicas < 1 || s.Broker.Replicas > 5:
		return badSetting("broker.replicas is %d: from 1 to 5, on as many servers", s.Broker.Replicas)
	case s.Broker.LeaseS < 5:
		return badSetting("broker.lease_s is %d: at least 5", s.Broker.LeaseS)
	case s.Name == "" || strings.Trim(s.Name, nameRunes) != "":
		return badSetting("name is %q: use a-z 0-9 and - only", s.Name)
	}
	for _, url := range []struct{ key, value string }{{"store", s.Store}, {"s3.endpoint", s.S3.Endpoint}, {"broker.url", s.Broker.URL}} {
		if strings.Contains(url.value, "://") && strings.Contains(url.value, "@") {
			// URLs are shown in logs and errors.
			return badSetting("%s holds a user or password: give them in settings of their own", url.key)
		}
	}
	if _, err := zapcore.ParseLevel(s.Log); err != nil && s.Log != "" {
		return badSetting("log is %q: use debug, info, warn or error", s.Log)
	}
	return nil
}

func badSetting(format string, args ...any) error {
	return pipeline.Errorf(pipeline.House, "settings", format, args...)
}

const nameRunes = "abcdefghijklmnopqrstuvwxyz0123456789-"

// ownName tells this process from the others of a night.
func ownName() string {
	host, _ := os.Hostname()
	host = strings.Map(func(r rune) rune {
		if strings.ContainsRune(nameRunes, r) {
			return r
		}
		return '-'
	}, strings.ToLower(host))
	return fmt.Sprintf("%s-%d", host, os.Getpid())
}

// lease is how long the broker waits for a worker's sign of life.
func (s settings) lease() time.Duration { return seconds(s.Broker.LeaseS) }

// seconds are a setting in seconds as what the parts of a night take.
func seconds(n int) time.Duration { return time.Duration(n) * time.Second }

// logger writes one line an event to standard error, warnings and worse where
// nothing is set.
func (s settings) logger(w io.Writer) *zap.Logger {
	level := zapcore.WarnLevel
	if s.Log != "" {
		_ = level.Set(s.Log) // it was checked
	}
	enc := zap.NewProductionEncoderConfig()
	enc.EncodeTime = zapcore.ISO8601TimeEncoder
	return zap.New(zapcore.NewCore(zapcore.NewConsoleEncoder(enc), zapcore.Lock(zapcore.AddSync(oneLine{w})), level))
}
