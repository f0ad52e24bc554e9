package folder

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"go.uber.org/goleak"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// The test program is its own second process: a role given in the environment
// replaces the tests.
const roleVar, dirVar = "FOLDER_TEST_ROLE", "FOLDER_TEST_DIR"

func TestMain(m *testing.M) {
	role, ok := map[string]func(string) error{
		"hold": holdLock, "write": writeForever, "count": countUp, "full": fillDisk,
	}[os.Getenv(roleVar)]
	if !ok {
		goleak.VerifyTestMain(m)
		return
	}
	if err := role(os.Getenv(dirVar)); err != nil {
		fmt.Println("failed:", err)
		os.Exit(1)
	}
}

// child starts this program in a role and waits for its first line.
func child(t *testing.T, role, dir string, change func(*exec.Cmd)) (cmd *exec.Cmd, line string) {
	t.Helper()
	cmd = exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), roleVar+"="+role, dirVar+"="+dir)
	cmd.Stderr = os.Stderr
	if change != nil {
		change(cmd)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		if change != nil { // namespaces may be forbidden
			return nil, err.Error()
		}
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
	line, err = bufio.NewReader(out).ReadString('\n')
	if err != nil {
		t.Fatalf("role %s said nothing: %v", role, err)
	}
	return cmd, strings.TrimSpace(line)
}

func kill(t *testing.T, cmd *exec.Cmd) {
	t.Helper()
	if err := cmd.Process.Kill(); err != nil { // SIGKILL
		t.Fatal(err)
	}
	_ = cmd.Wait()
}

func holdLock(dir string) error {
	s, err := Open(dir)
	if err != nil {
		return err
	}
	if err := s.Lock(); err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(s.Scratch(), "half.wav"), []byte("RIFF"), 0o644); err != nil {
		return err
	}
	fmt.Println(s.Scratch())
	time.Sleep(time.Hour)
	return nil
}

func TestLock(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "house", ".chapterhouse")
	first, scratch := child(t, "hold", dir, nil)

	// Reading and writing beside it is allowed, being the only one is not.
	s := open(t, dir)
	err := s.Lock()
	want := fmt.Sprintf("%s is in use by process %d since %s; wait for it or use --store elsewhere", dir, first.Process.Pid, time.Now().Format("15:04"))
	if err == nil || err.Error() != want && !strings.Contains(err.Error(), fmt.Sprintf("in use by process %d since", first.Process.Pid)) {
		t.Errorf("Lock: %v, want %s", err, want)
	}
	if pipeline.KindOf(err) != pipeline.Infra {
		t.Errorf("kind %q, want infra", pipeline.KindOf(err))
	}
	if _, err := os.Stat(filepath.Join(scratch, "half.wav")); err != nil {
		t.Errorf("a living process lost its scratch: %v", err)
	}

	kill(t, first)
	if err := s.Lock(); err != nil {
		t.Errorf("Lock after the holder was killed: %v", err)
	}
	if err := s.Lock(); err != nil {
		t.Errorf("Lock a second time: %v", err)
	}
	open(t, dir)
	if _, err := os.Stat(scratch); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a dead process's scratch is still there: %v", err)
	}
	other := open(t, dir)
	if err := other.Lock(); err == nil || !strings.Contains(err.Error(), fmt.Sprintf("process %d", os.Getpid())) {
		t.Errorf("Lock of a second store in this process: %v", err)
	}
}

func TestCloseGivesUpTheLock(t *testing.T) {
	dir := t.TempDir()
	s, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(s.Lock(), s.Close()); err != nil {
		t.Fatal(err)
	}
	if err := open(t, dir).Lock(); err != nil {
		t.Error(err)
	}
	left, _ := os.ReadDir(filepath.Join(dir, tempDir))
	if len(left) != 1 { // the open store's own
		t.Errorf("%d scratch folders, want 1", len(left))
	}
}

// writeForever stores blobs and swaps one object until it is killed.
func writeForever(dir string) error {
	s, err := Open(dir)
	if err != nil {
		return err
	}
	ctx := context.Background()
	for i := 0; ; i++ {
		data := bytes.Repeat([]byte{byte(i)}, 100_000+i)
		if err := s.Put(ctx, pipeline.DigestOf(data), bytes.NewReader(data)); err != nil {
			return err
		}
		err := store.Update(ctx, s, "titles/t/title.json", func(v *filled) error {
			v.Seq++
			v.Fill = strings.Repeat("x", 1000*(v.Seq%40))
			return nil
		})
		if err != nil {
			return err
		}
		if err := store.Create(ctx, s, fmt.Sprintf("commits/%d-%d.json", os.Getpid(), i), []byte(`"whole"`)); err != nil {
			return err
		}
		if i == 0 {
			fmt.Println("writing")
		}
	}
}

type filled struct {
	Seq  int    `json:"seq"`
	Fill string `json:"fill"`
}

// TestKill kills writers at any moment: whatever stands under a name is whole.
func TestKill(t *testing.T) {
	dir := t.TempDir()
	seq := 0
	for i := range 8 {
		cmd, line := child(t, "write", dir, nil)
		if line != "writing" {
			t.Fatal(line)
		}
		time.Sleep(time.Duration(i) * 7 * time.Millisecond)
		kill(t, cmd)

		s := open(t, dir)
		var v filled
		if err := store.ReadJSON(t.Context(), s, "titles/t/title.json", &v); err != nil {
			t.Fatal(err)
		}
		if v.Seq <= seq || len(v.Fill) != 1000*(v.Seq%40) {
			t.Errorf("title.json: seq %d after %d, fill %d", v.Seq, seq, len(v.Fill))
		}
		seq = v.Seq
		count := 0
		err := s.List(t.Context(), "", func(i store.Info) error {
			count++
			if d, ok := store.BlobDigest(i.Name); ok {
				_, err := store.CopyBlob(t.Context(), s, d, io.Discard)
				return err
			}
			var text any
			return store.ReadJSON(t.Context(), s, i.Name, &text)
		})
		if err != nil || count < 3 {
			t.Errorf("after kill %d: %d objects, %v", i, count, err)
		}
		if left, _ := os.ReadDir(filepath.Join(dir, tempDir, filepath.Base(s.Scratch()))); len(left) != 0 {
			t.Errorf("%d files in a new scratch folder", len(left))
		}
	}
}

const counts = 40

func countUp(dir string) error {
	s, err := Open(dir)
	if err != nil {
		return err
	}
	fmt.Println("counting")
	for range counts {
		if err := store.Update(context.Background(), s, "titles/t/title.json", func(v *filled) error { v.Seq++; return nil }); err != nil {
			return err
		}
	}
	return s.Close()
}

// TestSwapBetweenProcesses lets three processes count in one object.
func TestSwapBetweenProcesses(t *testing.T) {
	dir := t.TempDir()
	var all []*exec.Cmd
	for range 3 {
		cmd, _ := child(t, "count", dir, nil)
		all = append(all, cmd)
	}
	for _, cmd := range all {
		if err := cmd.Wait(); err != nil {
			t.Fatal(err)
		}
	}
	var v filled
	if err := store.ReadJSON(t.Context(), open(t, dir), "titles/t/title.json", &v); err != nil || v.Seq != 3*counts {
		t.Errorf("counted %d, %v; want %d", v.Seq, err, 3*counts)
	}
}

// fillDisk mounts a disk of 1 MiB, fills it, and then a read-only one; it runs
// in a mount namespace of its own.
func fillDisk(dir string) error {
	if err := syscall.Mount("none", dir, "tmpfs", 0, "size=1m"); err != nil {
		fmt.Println("skip: can't mount:", err)
		return nil
	}
	s, err := Open(dir)
	if err != nil {
		return err
	}
	ctx := context.Background()
	big := make([]byte, 3<<20)
	putErr := s.Put(ctx, pipeline.DigestOf(big), bytes.NewReader(big))
	_, swapErr := s.Swap(ctx, "titles/t/title.json", store.Absent, big)
	for op, err := range map[string]error{"Put": putErr, "Swap": swapErr} {
		if pipeline.KindOf(err) != pipeline.Infra || !errors.Is(err, syscall.ENOSPC) || !strings.Contains(err.Error(), "the disk of "+dir+" is full; free some space") {
			return fmt.Errorf("%s on a full disk: %w", op, err)
		}
	}
	left, err := os.ReadDir(s.Scratch())
	if err != nil || len(left) != 0 {
		return fmt.Errorf("%d temporary files left, %w", len(left), err)
	}
	if err := s.List(ctx, "", func(i store.Info) error { return fmt.Errorf("%s was left", i.Name) }); err != nil {
		return err
	}
	if err := store.Create(ctx, s, "titles/t/title.json", big[:1000]); err != nil {
		return fmt.Errorf("there is space again: %w", err)
	}
	if err := syscall.Mount("none", dir, "tmpfs", syscall.MS_REMOUNT|syscall.MS_RDONLY, "size=1m"); err != nil {
		return err
	}
	_, err = s.Swap(ctx, "titles/u/title.json", store.Absent, nil)
	if pipeline.KindOf(err) != pipeline.Infra || !errors.Is(err, syscall.EROFS) || !strings.Contains(err.Error(), dir+" can't be written by this user") {
		return fmt.Errorf("swap on a read-only disk: %w", err)
	}
	if _, err := Open(dir); !errors.Is(err, syscall.EROFS) {
		return fmt.Errorf("open on a read-only disk: %w", err)
	}
	if _, err := store.ReadObject(ctx, s, "titles/t/title.json"); err != nil {
		return fmt.Errorf("read from a read-only disk: %w", err)
	}
	fmt.Println("done")
	return nil
}

func TestFullAndReadOnlyDisk(t *testing.T) {
	_, line := child(t, "full", t.TempDir(), func(cmd *exec.Cmd) {
		cmd.SysProcAttr = &syscall.SysProcAttr{
			Cloneflags:  syscall.CLONE_NEWUSER | syscall.CLONE_NEWNS,
			UidMappings: []syscall.SysProcIDMap{{ContainerID: 0, HostID: os.Getuid(), Size: 1}},
			GidMappings: []syscall.SysProcIDMap{{ContainerID: 0, HostID: os.Getgid(), Size: 1}},
		}
	})
	switch {
	case line == "done":
	case strings.HasPrefix(line, "failed:"):
		t.Error(line)
	case os.Getenv("CHAPTERHOUSE_REQUIRE") == "all":
		t.Errorf("this machine allows no mount namespace for the full disk: %s", line)
	default:
		t.Skipf("this machine allows no mount namespace for the full disk: %s", line)
	}
}
