package deploy

import (
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"chapterhouse/deploy/faults"
	"chapterhouse/pipeline/store/s3/s3test"
)

// A plant is what compose.yaml describes, as processes of this machine: three
// NATS servers and storage, all with TLS, and the program's parts, each with
// the files, users and secrets of this folder and nothing more.
type plant struct {
	dir, secrets string
	env          []string // of the program's parts: addresses and files in the place of the settings'
	servers      []*faults.Process
	program      string
}

func ports(t *testing.T, n int) []string {
	t.Helper()
	var all []string
	for range n {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		must(t, err)
		defer l.Close()
		_, port, err := net.SplitHostPort(l.Addr().String())
		must(t, err)
		all = append(all, port)
	}
	return all
}

// envFile is what one of secrets.sh's environments sets.
func (p *plant) envFile(t *testing.T, name string) []string {
	return strings.Split(strings.TrimSpace(strings.ReplaceAll(read(t, filepath.Join(p.secrets, name)), "'", "")), "\n")
}

func (p *plant) secret(name string) string { return filepath.Join(p.secrets, name) }

func (p *plant) start(t *testing.T, name string, env []string, args ...string) *faults.Process {
	t.Helper()
	process, err := faults.Start(faults.Command{Name: name, Args: args, Env: env, Dir: p.dir})
	must(t, err)
	t.Cleanup(func() {
		process.Kill()
		if t.Failed() {
			t.Logf("%s said:\n%s", name, process.Says())
		}
	})
	return process
}

func newPlant(t *testing.T) *plant {
	for name, debian := range map[string]string{"jq": "jq", "openssl": "openssl", "htpasswd": "apache2-utils", "curl": "curl"} {
		program(t, name, debian)
	}
	gateway, err := s3test.Find()
	required(t, err)
	p := &plant{dir: t.TempDir()}
	p.secrets = filepath.Join(p.dir, "secrets")
	p.program = filepath.Join(p.dir, "chapterhouse")
	broker := filepath.Join(p.dir, "nats-server")
	said(t, "..", "go", "build", "-o", p.program, "./cmd/chapterhouse")
	said(t, "..", "go", "build", "-o", broker, "github.com/nats-io/nats-server/v2")
	said(t, "", "./secrets.sh", p.secrets, "1")
	must(t, os.CopyFS(filepath.Join(p.dir, "nats"), os.DirFS("nats")))

	free := ports(t, 10)
	var routes, urls []string
	for i := range 3 {
		routes = append(routes, "nats-route://127.0.0.1:"+free[3*i])
		urls = append(urls, "tls://127.0.0.1:"+free[3*i+1])
	}
	for i := range 3 {
		name := fmt.Sprintf("nats-%d", i+1)
		env := append(p.envFile(t, "nats.env"), "NATS_NAME="+name, "NATS_STORE="+filepath.Join(p.dir, name),
			"NATS_CERT="+p.secret(name+".pem"), "NATS_KEY="+p.secret(name+"-key.pem"), "NATS_CA="+p.secret("ca.pem"))
		p.servers = append(p.servers, p.start(t, name, env, broker, "--config", filepath.Join(p.dir, "nats", "server.conf"),
			"--addr", "127.0.0.1", "--port", free[3*i+1], "--http_port", free[3*i+2], "--cluster", routes[i], "--routes", strings.Join(routes, ",")))
	}
	endpoint := "https://127.0.0.1:" + free[9]
	for _, d := range []string{"objects", "users"} {
		must(t, os.Mkdir(filepath.Join(p.dir, d), 0o755))
	}
	p.start(t, "storage", p.envFile(t, "s3.env"), gateway, "--port", "127.0.0.1:"+free[9], "--keep-alive", "--quiet",
		"--iam-dir", filepath.Join(p.dir, "users"), "--cert", p.secret("storage.pem"), "--key", p.secret("storage-key.pem"), "posix", filepath.Join(p.dir, "objects"))
	setup := exec.Command("s3/setup.sh", endpoint, "house", p.secrets, p.secret("ca.pem"))
	setup.Env = append(os.Environ(), p.envFile(t, "s3.env")...)
	setup.Env = append(setup.Env, "PATH="+filepath.Dir(gateway)+":"+os.Getenv("PATH"))
	for range 2 { // it may be run again
		again := *setup
		if out, err := again.CombinedOutput(); err != nil || string(out) != "bucket house is ready\n" {
			t.Fatalf("setup.sh: %v: %s", err, out)
		}
	}
	p.env = []string{
		"CHAPTERHOUSE_S3_ENDPOINT=" + endpoint, "CHAPTERHOUSE_S3_CA_FILE=" + p.secret("ca.pem"),
		"CHAPTERHOUSE_BROKER_URL=" + strings.Join(urls, ","), "CHAPTERHOUSE_BROKER_CA_FILE=" + p.secret("ca.pem"),
		"CHAPTERHOUSE_SCRATCH=" + filepath.Join(p.dir, "scratch"), "XDG_CACHE_HOME=" + filepath.Join(p.dir, "cache"),
	}
	return p
}

// as is the environment of a part that goes by a broker user's name.
func (p *plant) as(t *testing.T, role, name, metrics string) []string {
	settings, err := filepath.Abs(filepath.Join("settings", role+".yaml"))
	must(t, err)
	env := append(p.env[:len(p.env):len(p.env)], "CHAPTERHOUSE_SETTINGS="+settings,
		"CHAPTERHOUSE_S3_SECRET_KEY_FILE="+p.secret(role+".s3"), "CHAPTERHOUSE_BROKER_PASSWORD_FILE="+p.secret(name+".broker"))
	if metrics != "" {
		env = append(env, "CHAPTERHOUSE_NAME="+name, "CHAPTERHOUSE_BROKER_USER="+name, "CHAPTERHOUSE_METRICS=127.0.0.1:"+metrics)
	}
	return env
}

// person runs a command as a person does and returns what it prints.
func (p *plant) person(t *testing.T, dir string, args ...string) string {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 3*time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, p.program, args...)
	cmd.Env, cmd.Dir = append(os.Environ(), p.as(t, "person", "person", "")...), dir
	var errs strings.Builder
	cmd.Stderr = &errs
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v: %v\n%s%s", args, err, out, errs.String())
	}
	return string(out)
}

func log(t *testing.T, p *plant, name string) string {
	return read(t, filepath.Join(p.dir, name+".log"))
}

func wait(t *testing.T, what string, done func() bool) {
	t.Helper()
	for end := time.Now().Add(2 * time.Minute); !done(); time.Sleep(50 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("waited in vain: %s", what)
		}
	}
}

// TestNight is a night as the files here set it up: a house is pushed, a title
// submitted, worked on and fetched, by parts that may do what their roles may
// and no more. A worker whose engine is not named yet is refused and says it.
func TestNight(t *testing.T) {
	p := newPlant(t)
	free := ports(t, 4)
	for i, name := range []string{"coordinator-1", "coordinator-2"} {
		p.start(t, name, p.as(t, "coordinator", name, free[i]), p.program, "coordinator")
	}
	refused := p.start(t, "refused", p.as(t, "worker", "worker-1", free[2]), p.program, "worker")
	select {
	case <-refused.Done():
	case <-time.After(2 * time.Minute):
		t.Fatal("a worker of an engine that nobody named goes on")
	}
	// It says its engine, and is refused what bears the engine's name.
	named := regexp.MustCompile(`"engine": "([a-z0-9]{8})"`).FindStringSubmatch(log(t, p, "refused"))
	if named == nil || !regexp.MustCompile(`the broker refuses .*[.]`+named[1]).MatchString(log(t, p, "refused")) {
		t.Fatal("it does not say its engine")
	}
	durables, err := exec.Command("nats/durables.sh", named[1]).Output()
	must(t, err)
	must(t, os.WriteFile(filepath.Join(p.dir, "nats", "worker-durables.conf"), durables, 0o600))
	for i, s := range p.servers {
		must(t, syscall.Kill(s.PID(), syscall.SIGHUP))
		wait(t, "a server takes the engine up", func() bool {
			return strings.Contains(log(t, p, fmt.Sprintf("nats-%d", i+1)), "Reloaded server configuration")
		})
	}
	var parts []*faults.Process
	for i, name := range []string{"worker-1", "worker-2"} {
		parts = append(parts, p.start(t, name, p.as(t, "worker", name, free[2+i]), p.program, "worker"))
	}

	material, err := faults.NewMaterial("..")
	must(t, err)
	house, err := material.House(filepath.Join(p.dir, "house"), "low-water", 3, 6, 1)
	must(t, err)
	p.person(t, house.Root, "push")
	p.person(t, house.Root, "submit", house.Title, "--watch")
	p.person(t, house.Root, "status", house.Slug)
	p.person(t, house.Root, "cancel", house.Slug)
	p.person(t, house.Root, "rerun", house.Slug)
	p.person(t, house.Root, "pull")
	p.person(t, house.Root, "fetch", house.Slug, "--out", filepath.Join(p.dir, "out"))
	sums, err := filepath.Glob(filepath.Join(p.dir, "out", "*", "*", "SHA256SUMS"))
	must(t, err)
	if len(sums) != 1 {
		t.Fatalf("fetched %v", sums)
	}
	if out := said(t, filepath.Dir(sums[0]), "sha256sum", "-c", "SHA256SUMS"); strings.Count(out, ": OK") < 3 {
		t.Errorf("fetched: %s", out)
	}
	p.person(t, house.Root, "check", "--read-data")

	// What the alerts count is there.
	metrics := scrape(t, free[0]) + scrape(t, free[2])
	for _, name := range regexp.MustCompile(`chapterhouse_\w+`).FindAllString(read(t, "alerts/rules.yaml"), -1) {
		if !strings.Contains(metrics, "\n"+name) {
			t.Errorf("nobody tells %s", name)
		}
	}
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second) // as TimeoutStopSec
	defer cancel()
	for _, part := range parts {
		if err := part.End(ctx); err != nil {
			t.Errorf("%s is told to stop: %v", part.Name, err)
		}
	}
	p.quiet(t)
}

func scrape(t *testing.T, port string) string {
	t.Helper()
	answer, err := http.Get("http://127.0.0.1:" + port + "/metrics")
	must(t, err)
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	must(t, err)
	return string(text)
}

// quiet: nobody wrote a secret down, and nobody but the first worker was refused.
func (p *plant) quiet(t *testing.T) {
	logs, err := filepath.Glob(filepath.Join(p.dir, "*.log"))
	must(t, err)
	files, err := os.ReadDir(p.secrets)
	must(t, err)
	for _, path := range logs {
		text := read(t, path)
		for _, f := range files {
			for line := range strings.Lines(read(t, p.secret(f.Name()))) {
				_, line, _ = strings.Cut("="+strings.TrimSpace(line), "=")
				if line = strings.Trim(line[strings.LastIndex(line, "=")+1:], "'"); len(line) > 20 && strings.Contains(text, line) {
					t.Errorf("%s holds a secret of %s", filepath.Base(path), f.Name())
				}
			}
		}
		if strings.Contains(text, "refuse") && filepath.Base(path) != "refused.log" && !strings.HasPrefix(filepath.Base(path), "nats-") {
			t.Errorf("%s:\n%s", filepath.Base(path), text)
		}
	}
}
