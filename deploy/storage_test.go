package deploy

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/minio/minio-go/v7"
	"github.com/minio/minio-go/v7/pkg/credentials"

	"chapterhouse/pipeline/store"
	"chapterhouse/pipeline/store/s3"
	"chapterhouse/pipeline/store/s3/s3test"
)

// required skips a test whose program is not on this machine, or fails it
// where everything is asked for.
func required(t *testing.T, err error) {
	t.Helper()
	switch {
	case err == nil:
	case os.Getenv("CHAPTERHOUSE_REQUIRE") == "all":
		t.Fatal(err)
	default:
		t.Skip(err)
	}
}

// program is the path of one that Debian has.
func program(t *testing.T, name, debian string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		required(t, fmt.Errorf("%s is not installed: Debian's package %s has it", name, debian))
	}
	return path
}

const (
	bucket = "house"
	prefix = "night"
)

// storage is a gateway with a bucket whose policy deploy/s3 gives to one user
// for each role, and to nobody else.
func storage(t *testing.T) *s3test.Gateway {
	t.Helper()
	program(t, "jq", "jq")
	g := s3test.For(t, bucket)
	for _, user := range []string{"worker", "coordinator", "person", "stranger"} {
		must(t, g.AddUser(user, password(user)))
	}
	policy, err := exec.Command("s3/bucket-policy.sh", bucket+"/"+prefix, "worker=worker", "coordinator=coordinator", "person=person").Output()
	must(t, err)
	must(t, g.SetPolicy(bucket, string(policy)))
	return g
}

// client speaks plain S3 as a user; "" is nobody.
func client(t *testing.T, g *s3test.Gateway, user string) *minio.Core {
	t.Helper()
	signer := credentials.NewStaticV4(user, password(user), "")
	if user == "" {
		signer = credentials.NewStatic("", "", "", credentials.SignatureAnonymous)
	}
	core, err := minio.NewCore(strings.TrimPrefix(g.Endpoint, "http://"), &minio.Options{Creds: signer, Region: s3test.Region, MaxRetries: 1})
	must(t, err)
	return core
}

// objects are one of each kind, and which roles may get, put and delete it: w,
// a worker; c, a coordinator; p, a person at the command line. Everything that
// a role needs is in it, and nothing else; a fixed row says why.
//
// The table can't show two things that the gateway does not know: that an
// object may be created and not replaced (s3:if-none-match, see
// TestOnlyCreate), and that names below a prefix may be listed and others not
// without 403 for an object that is not there.
var objects = []struct{ name, get, put, remove, why string }{
	{"blobs/e3/" + key, "wcp", "wp", "c", "sources from people, results from workers; a coordinator drops what storage damaged"},
	{"recipes/" + key + ".json", "wcp", "c", "", "what is asked for"},
	{"commits/" + key + ".json", "wcp", "wc", "c", "what came out; a coordinator's own steps have commits too, and commits of lost files go"},
	{"attempts/" + key + "/a.json", "wcp", "w", "p", "workers note tries; rerun forgets them"},
	{"attempts/" + key + "/a.err.json", "wcp", "w", "p", "and failures"},
	{"quarantine/" + key + ".json", "wcp", "c", "p", "coordinators give up; rerun forgives"},
	{"titles/eleven/title.json", "cp", "cp", "", "the title's compare-and-swap: submit and cancel, and the close"},
	{"titles/eleven/runs/000001/submit.json", "cp", "cp", "", "a run's objects"},
	{"narrators/ines/narrator.json", "cp", "c", "", "what is known of a narrator"},
	{"open/eleven/000001.json", "cp", "p", "c", "submit opens, the close ends it"},
	{"house/house.json", "p", "p", "", "push and pull"},
	{"probe/x/created-00", "cp", "c", "c", "a coordinator tries whether storage is safe"},
	{"elsewhere/x", "p", "", "", "what is no object of ours"},
}

func TestStorageRoles(t *testing.T) {
	g := storage(t)
	ctx := t.Context()
	owner, err := minio.NewCore(strings.TrimPrefix(g.Endpoint, "http://"), &minio.Options{
		Creds: credentials.NewStaticV4(g.AccessKey, g.SecretKey, ""), Region: s3test.Region,
	})
	must(t, err)
	place := func(key string) {
		_, err := owner.PutObject(ctx, bucket, key, strings.NewReader("x"), 1, "", "", minio.PutObjectOptions{})
		must(t, err)
	}
	for short, user := range map[string]string{"w": "worker", "c": "coordinator", "p": "person", "s": "stranger", "n": ""} {
		core := client(t, g, user)
		check := func(deed string, may bool, err error) {
			t.Helper()
			denied := minio.ToErrorResponse(err).Code == minio.AccessDenied
			if err != nil && !denied || denied == may {
				t.Errorf("%q may %s: %v, want %v (%v)", user, deed, err == nil, may, err)
			}
		}
		for _, o := range objects {
			for _, at := range []struct {
				key  string
				mine bool
			}{{prefix + "/" + o.name, true}, {o.name, false}, {"other/" + o.name, false}} {
				place(at.key)
				may := func(roles string) bool { return at.mine && strings.Contains(roles, short) }
				body, _, _, err := core.GetObject(ctx, bucket, at.key, minio.GetObjectOptions{})
				if err == nil {
					must(t, body.Close())
				}
				check("get "+at.key, may(o.get), err)
				_, err = core.PutObject(ctx, bucket, at.key, strings.NewReader("y"), 1, "", "", minio.PutObjectOptions{})
				check("put "+at.key, may(o.put), err)
				// Sent in parts it is the same right.
				upload, err := core.NewMultipartUpload(ctx, bucket, at.key, minio.PutObjectOptions{})
				check("put in parts "+at.key, may(o.put), err)
				if err == nil {
					err := core.AbortMultipartUpload(ctx, bucket, at.key, upload)
					check("give up the upload of "+at.key, strings.HasPrefix(o.name, "blobs/"), err) // nothing else is sent in parts
				}
				check("delete "+at.key, may(o.remove), core.RemoveObject(ctx, bucket, at.key, minio.RemoveObjectOptions{}))
			}
		}
		listed, err := core.ListObjectsV2(bucket, prefix+"/", "", "", "", 10)
		check("list", strings.Contains("wcp", short), err)
		if err == nil && len(listed.Contents) == 0 {
			t.Errorf("%q lists nothing", user)
		}
		// The bucket itself is its owner's.
		check("read the policy", false, second(core.GetBucketPolicy(ctx, bucket)))
		check("set the policy", false, core.SetBucketPolicy(ctx, bucket, "{}"))
		check("delete the bucket", false, core.RemoveBucket(ctx, bucket))
		check("list unfinished uploads", false, second(core.ListMultipartUploads(ctx, bucket, "", "", "", "", 10)))
		check("copy what it may not read", false, second(core.CopyObject(ctx, bucket, "elsewhere/x", bucket, prefix+"/blobs/e3/"+key, nil, minio.CopySrcOptions{}, minio.PutObjectOptions{})))
	}
}

func second[T any](_ T, err error) error { return err }

// TestStorageOpen: the program opens its store as each role, and what is not
// there is absent to it and not refused.
func TestStorageOpen(t *testing.T) {
	g := storage(t)
	open := func(user, secret string) (*s3.Store, error) {
		s, err := s3.Open(t.Context(), s3.Options{Endpoint: g.Endpoint, Region: s3test.Region, Bucket: bucket, Prefix: prefix, AccessKey: user, SecretKey: secret})
		if err == nil {
			t.Cleanup(func() { _ = s.Close() })
		}
		return s, err
	}
	for short, user := range map[string]string{"w": "worker", "c": "coordinator", "p": "person"} {
		s, err := open(user, password(user))
		must(t, err)
		for _, o := range objects {
			_, err := s.Stat(t.Context(), o.name)
			if strings.Contains(o.get, short) && !errors.Is(err, store.ErrAbsent) {
				t.Errorf("%s looks for %s: %v, want ErrAbsent", user, o.name, err)
			}
			if !strings.Contains(o.get, short) && (err == nil || errors.Is(err, store.ErrAbsent)) {
				t.Errorf("%s looks for %s, which it may not: %v", user, o.name, err)
			}
		}
		if user == "coordinator" {
			must(t, s.Probe(t.Context()))
		}
	}
	for name, who := range map[string][2]string{"a stranger": {"stranger", password("stranger")}, "another's secret": {"worker", password("person")}, "nobody known": {"nobody", "x"}} {
		_, err := open(who[0], who[1])
		if !errors.Is(err, s3.ErrRefused) {
			t.Errorf("%s: %v, want ErrRefused", name, err)
		}
		if strings.Contains(fmt.Sprint(err), who[1]) && len(who[1]) > 1 {
			t.Errorf("%s: the error tells the secret: %v", name, err)
		}
	}
}

// TestOnlyCreate: the gateway does not know s3:if-none-match, and refuses
// only-create.json for it. When it takes it, the roles' table can show it.
func TestOnlyCreate(t *testing.T) {
	g := storage(t)
	text, err := os.ReadFile("s3/only-create.json")
	must(t, err)
	policy := strings.ReplaceAll(strings.Replace(string(text), `"Effect"`, `"Principal": "*", "Effect"`, 1), "BUCKET", bucket)
	if err := g.SetPolicy(bucket, policy); err == nil || !strings.Contains(err.Error(), "condition key") {
		t.Errorf("the gateway says %v: it knows s3:if-none-match now", err)
	}
}

// TestPolicyFiles: all are JSON of the known form, for one placeholder.
func TestPolicyFiles(t *testing.T) {
	files, err := filepath.Glob("s3/*.json")
	must(t, err)
	if len(files) != 5 {
		t.Errorf("%d files", len(files))
	}
	for _, file := range files {
		text, err := os.ReadFile(file)
		must(t, err)
		var policy struct {
			Version   string
			Statement []struct {
				Sid, Effect      string
				Action, Resource []string
				Condition        map[string]map[string]string
			}
			Rules []struct {
				ID, Status                     string
				Filter                         map[string]string
				AbortIncompleteMultipartUpload map[string]int
			}
		}
		in := json.NewDecoder(strings.NewReader(string(text)))
		in.DisallowUnknownFields()
		if err := in.Decode(&policy); err != nil || len(policy.Statement)+len(policy.Rules) == 0 {
			t.Errorf("%s: %v", file, err)
		}
		for _, s := range policy.Statement {
			for _, r := range s.Resource {
				if r != "arn:aws:s3:::BUCKET" && !strings.HasPrefix(r, "arn:aws:s3:::BUCKET/") {
					t.Errorf("%s: %s: resource %s", file, s.Sid, r)
				}
			}
			if slices.ContainsFunc(s.Action, func(a string) bool { return strings.Contains(a, "*") }) {
				t.Errorf("%s: %s allows %v: name each action", file, s.Sid, s.Action)
			}
		}
	}
	program(t, "jq", "jq")
	for _, odd := range [][]string{{}, {bucket}, {bucket, "owner=x"}, {bucket, "worker"}, {bucket, "worker=w", "../s3/worker=x"}} {
		out, err := exec.CommandContext(context.Background(), "s3/bucket-policy.sh", odd...).Output()
		if err == nil || len(out) > 0 {
			t.Errorf("bucket-policy.sh %v: %s", odd, out)
		}
	}
}
