package deploy

import (
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
)

func read(t *testing.T, path string) string {
	t.Helper()
	text, err := os.ReadFile(path)
	must(t, err)
	return string(text)
}

// said runs a program in a folder and fails with what it says.
func said(t *testing.T, dir, name string, args ...string) string {
	t.Helper()
	cmd := exec.Command(name, args...)
	cmd.Dir = dir
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Errorf("%s %s: %v\n%s", filepath.Base(name), strings.Join(args, " "), err, out)
	}
	return string(out)
}

// TestUnits: systemd finds nothing to say of the units, and takes them for
// well confined (exposure from 0 to 10; a plain service has 9.6).
func TestUnits(t *testing.T) {
	analyze := program(t, "systemd-analyze", "systemd")
	units, err := filepath.Glob("units/*.service")
	must(t, err)
	if len(units) != 2 {
		t.Errorf("units: %v", units)
	}
	self, err := os.Executable()
	must(t, err)
	secrets := secretFiles(t)
	for _, unit := range units {
		text := read(t, unit)
		if strings.Count(text, "/usr/local/bin/chapterhouse ") != 1 {
			t.Errorf("%s does not start the program", unit)
		}
		// verify looks for the program as well: here it is this one.
		copied := filepath.Join(t.TempDir(), filepath.Base(unit))
		must(t, os.WriteFile(copied, []byte(strings.Replace(text, "/usr/local/bin/chapterhouse", self, 1)), 0o644))
		if out := said(t, "", analyze, "verify", "--man=no", copied); out != "" {
			t.Errorf("verify %s says:\n%s", unit, out)
		}
		said(t, "", analyze, "security", "--offline=true", "--threshold=15", "--no-pager", copied)
		for _, m := range regexp.MustCompile(`LoadCredential=\w+:/etc/chapterhouse/secrets/(\S+)`).FindAllStringSubmatch(text, -1) {
			if !slices.Contains(secrets, m[1]) {
				t.Errorf("%s: secrets.sh makes no %s", unit, m[1])
			}
		}
	}
}

// TestAlerts: the rules are right to promtool, fire in the nights that
// rules_test.yaml has and no others, and name metrics that there are.
func TestAlerts(t *testing.T) {
	promtool := program(t, "promtool", "prometheus")
	said(t, "alerts", promtool, "check", "rules", "rules.yaml")
	said(t, "alerts", promtool, "check", "config", "prometheus.yaml")
	said(t, "alerts", promtool, "test", "rules", "rules_test.yaml")
	metrics := read(t, "../cmd/chapterhouse/metrics.go")
	rules, tests := read(t, "alerts/rules.yaml"), read(t, "alerts/rules_test.yaml")
	for _, name := range regexp.MustCompile(`chapterhouse_\w+`).FindAllString(rules+tests, -1) {
		if !strings.Contains(metrics, fmt.Sprintf("%q", strings.TrimSuffix(name, "_bucket"))) {
			t.Errorf("no metric is called %s", name)
		}
	}
	for _, m := range regexp.MustCompile(`alert: (\w+)`).FindAllStringSubmatch(rules, -1) {
		if !strings.Contains(tests, fmt.Sprintf(`alertname="%s"`, m[1])) {
			t.Errorf("alert %s is tested by no night", m[1])
		}
	}
}

// secretFiles are what secrets.sh makes.
func secretFiles(t *testing.T) []string {
	t.Helper()
	program(t, "openssl", "openssl")
	program(t, "htpasswd", "apache2-utils")
	dir := filepath.Join(t.TempDir(), "secrets")
	said(t, "", "./secrets.sh", dir, "1")
	entries, err := os.ReadDir(dir)
	must(t, err)
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
		if i, err := e.Info(); err != nil || i.Mode().Perm() != 0o600 {
			t.Errorf("%s may be read by others: %v, %v", e.Name(), i.Mode(), err)
		}
	}
	if err := exec.Command("./secrets.sh", dir).Run(); err == nil {
		t.Error("secrets.sh writes over secrets that are there")
	}
	return names
}

// A service is one of compose.yaml's, as far as we look.
type service struct {
	Image                        string
	Build                        struct{ Context, Dockerfile string }
	Command, Entrypoint, Volumes []string
	Environment                  map[string]string
	ReadOnly                     bool     `yaml:"read_only"`
	CapDrop                      []string `yaml:"cap_drop"`
	SecurityOpt                  []string `yaml:"security_opt"`
	Ports                        []any
}

// TestCompose: docker-compose takes the file; what it mounts is made by
// secrets.sh or stands here; what the settings name is mounted.
func TestCompose(t *testing.T) {
	compose := program(t, "docker-compose", "docker-compose")
	secrets := secretFiles(t)
	resolved, err := exec.Command(compose, "-f", "compose.yaml", "config").Output()
	must(t, err)
	var file struct{ Services map[string]service }
	must(t, yaml.Unmarshal(resolved, &file))
	want := []string{"coordinator-1", "coordinator-2", "nats-1", "nats-2", "nats-3", "setup", "storage", "worker-1", "worker-2"}
	if got := slices.Sorted(maps.Keys(file.Services)); !slices.Equal(got, want) {
		t.Errorf("services %v, want %v", got, want)
	}
	here, err := os.Getwd()
	must(t, err)
	for name, s := range file.Services {
		if !s.ReadOnly || !slices.Equal(s.CapDrop, []string{"ALL"}) || len(s.SecurityOpt) != 1 || len(s.Ports) != 0 {
			t.Errorf("%s is not confined, or open to the outside: %+v", name, s)
		}
		if s.Build.Dockerfile == "" && name != "setup" {
			t.Errorf("%s is not built here", name)
		} else if s.Build.Dockerfile != "" {
			if _, err := os.Stat(filepath.Join(s.Build.Context, s.Build.Dockerfile)); err != nil {
				t.Errorf("%s: %v", name, err)
			}
		}
		mounted := map[string]string{}
		for _, v := range s.Volumes {
			from, to, _ := strings.Cut(v, ":")
			to, mode, _ := strings.Cut(to, ":")
			mounted[to] = from
			rel, err := filepath.Rel(here, from)
			if !filepath.IsAbs(from) || err != nil {
				continue // a volume
			}
			if mode != "ro" {
				t.Errorf("%s may write %s", name, rel)
			}
			if secret, ok := strings.CutPrefix(rel, "secrets/"); ok {
				if !slices.Contains(secrets, secret) {
					t.Errorf("%s: secrets.sh makes no %s", name, secret)
				}
			} else if _, err := os.Stat(rel); err != nil {
				t.Errorf("%s: %v", name, err)
			}
		}
		settings, ok := s.Environment["CHAPTERHOUSE_SETTINGS"]
		if !ok {
			continue
		}
		var set map[string]any
		must(t, yaml.Unmarshal([]byte(read(t, strings.Replace(settings, "/etc/chapterhouse/", "settings/", 1))), &set))
		paths := map[string]string{"settings": settings}
		for _, group := range []string{"s3", "broker"} {
			for key, value := range set[group].(map[string]any) {
				if strings.HasSuffix(key, "_file") {
					paths[group+"_"+key] = value.(string)
				}
			}
		}
		for key := range paths {
			if over, ok := s.Environment["CHAPTERHOUSE_"+strings.ToUpper(key)]; ok {
				paths[key] = over
			}
		}
		for key, path := range paths {
			if mounted[path] == "" {
				t.Errorf("%s: %s is %s, which is not mounted", name, key, path)
			}
		}
		user := set["broker"].(map[string]any)["user"]
		own := []any{set["name"], user}
		if over, ok := s.Environment["CHAPTERHOUSE_NAME"]; ok {
			own = []any{over, s.Environment["CHAPTERHOUSE_BROKER_USER"]}
		}
		if own[0] != name || own[1] != name {
			t.Errorf("%s goes by the name and user %v", name, own)
		}
	}
}

// TestContainerfiles: no tool here builds them, so what can go stale is held
// against its source: base images, versions, and what is copied.
func TestContainerfiles(t *testing.T) {
	goMod, gate := read(t, "../go.mod"), read(t, "../.ci/run")
	minor := regexp.MustCompile(`(?m)^go (\d+\.\d+)`).FindStringSubmatch(goMod)[1]
	for _, path := range []string{"Containerfile", "nats/Containerfile", "s3/Containerfile"} {
		text := read(t, path)
		for _, m := range regexp.MustCompile(`(?m)^FROM (\S+)`).FindAllStringSubmatch(text, -1) {
			if m[1] != "golang:"+minor+"-bookworm" && m[1] != "debian:bookworm-slim" {
				t.Errorf("%s starts from %s", path, m[1])
			}
		}
		for _, m := range regexp.MustCompile(`go install \S* ?(\S+@\S+)`).FindAllStringSubmatch(text, -1) {
			if !strings.Contains(gate, m[1]) {
				t.Errorf("%s has %s, which the gate does not test", path, m[1])
			}
		}
		for _, m := range regexp.MustCompile(`(?m)^COPY ([^-\n].*) \S+$`).FindAllStringSubmatch(text, -1) {
			for name := range strings.FieldsSeq(m[1]) {
				if _, err := os.Stat(filepath.Join("..", name)); err != nil {
					t.Errorf("%s copies %v", path, err)
				}
			}
		}
		if !strings.Contains(text, "\nUSER ") {
			t.Errorf("%s runs as root", path)
		}
	}
}
