package e2e_test

import (
	"context"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
)

// server runs a command of commonvatd and returns whatever came of it.
func server(t testing.TB, args ...string) (code int, out string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), callWithin)
	defer cancel()
	cmd := exec.CommandContext(ctx, program("commonvatd"), args...)
	cmd.Env = environment()
	text, err := cmd.CombinedOutput()
	require.NotNil(t, cmd.ProcessState, "%v", err)
	return cmd.ProcessState.ExitCode(), string(text)
}

// The drill: a backup is made while members write, checked, and restored into a new folder from which a core serves the same records.
func TestBackupDrill(t *testing.T) {
	l := newLab(t, "ash", "stella:member,steward")
	l.installModules("difference-deltae")
	l.start()
	token, err := os.ReadFile(l.tokens["ash"])
	require.NoError(t, err)
	conn, err := grpc.NewClient(l.address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	require.NoError(t, err)
	defer func() { require.NoError(t, conn.Close()) }()
	ctx, cancel := context.WithTimeout(metadata.AppendToOutgoingContext(context.Background(), "authorization", "Bearer "+strings.TrimSpace(string(token))), callWithin)
	defer cancel()
	trials := labv1.NewTrialServiceClient(conn)
	submit := func() (*labv1.Trial, error) {
		answer, err := trials.SubmitTrial(ctx, &labv1.SubmitTrialRequest{RequestId: newID(t), Trial: &labv1.Trial{Id: newID(t), Title: "invented", Sessions: []*labv1.Session{{Id: newID(t)}}}})
		return answer.GetTrial(), err
	}
	before, err := submit() // acknowledged before the backup begins, so it is in it
	require.NoError(t, err)

	writing, stop := context.WithCancel(context.Background())
	written := make(chan int)
	go func() {
		n := 0
		for ; writing.Err() == nil; n++ {
			if _, err := submit(); err != nil {
				break
			}
		}
		written <- n
	}()
	folder := filepath.Join(t.TempDir(), "backups", "first")
	code, out := server(t, "backup", "create", folder, "--data", l.data)
	stop()
	require.Zero(t, code, out)
	assert.Positive(t, <-written, "members wrote meanwhile")
	last, err := os.ReadFile(filepath.Join(l.data, "last-backup.json"))
	require.NoError(t, err)
	assert.Contains(t, string(last), folder)

	code, out = server(t, "backup", "verify", folder)
	require.Zero(t, code, out)
	code, out = server(t, "backup", "create", folder, "--data", l.data)
	assert.Equal(t, exitUsage, code, "nothing is written over: %s", out)
	code, out = server(t, "verify", "--data", l.data)
	assert.Zero(t, code, "the core runs: %s", out)
	assert.Contains(t, out, "sound")

	restored := filepath.Join(t.TempDir(), "restored")
	code, out = server(t, "backup", "restore", folder, "--data", restored)
	require.Zero(t, code, out)
	code, out = server(t, "backup", "restore", folder, "--data", restored)
	assert.Equal(t, exitUsage, code, "nothing is written over: %s", out)

	again := &lab{t: t, data: restored, runtime: shortDir(t), tokens: l.tokens}
	again.start()
	want := l.does("ash", "trial", "show", before.GetId(), "--output", "json")
	got := again.does("ash", "trial", "show", before.GetId(), "--output", "json")
	assert.True(t, sameJSON(t, want, got), "the restored core serves the record as it was")
	assert.Contains(t, again.does("stella", "modules"), "difference-deltae", "its modules came along")
	again.does("ash", "trial", "list") // and more: it goes on
	again.stop()
	l.stop()
	code, out = server(t, "verify", "--data", restored)
	assert.Zero(t, code, out)
}

func sameJSON(t *testing.T, a, b string) bool {
	t.Helper()
	var x, y any
	require.NoError(t, json.Unmarshal([]byte(a), &x))
	require.NoError(t, json.Unmarshal([]byte(b), &y))
	return assert.ObjectsAreEqual(x, y)
}

// Whatever is done to a backup is found, and named.
func TestDamagedBackupIsRefused(t *testing.T) {
	l := newLab(t, "ash")
	l.installModules("difference-deltae")
	whole := filepath.Join(t.TempDir(), "whole")
	code, out := server(t, "backup", "create", whole, "--data", l.data)
	require.Zero(t, code, out)
	var manifest map[string]any
	text, err := os.ReadFile(filepath.Join(whole, "manifest.json"))
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal(text, &manifest))

	for name, c := range map[string]struct {
		damage func(folder string) error
		says   string
	}{
		"a byte of the store": {func(folder string) error {
			return flip(filepath.Join(folder, "commonvat.db"), 5000)
		}, "commonvat.db has"},
		"a shorter store": {func(folder string) error {
			return os.Truncate(filepath.Join(folder, "commonvat.db"), 8192)
		}, "commonvat.db has 8192 bytes"},
		"no store":     {func(folder string) error { return os.Remove(filepath.Join(folder, "commonvat.db")) }, "commonvat.db is missing"},
		"another file": {func(folder string) error { return os.WriteFile(filepath.Join(folder, "note.txt"), nil, 0o600) }, "note.txt is not in the manifest"},
		"no manifest":  {func(folder string) error { return os.Remove(filepath.Join(folder, "manifest.json")) }, "manifest.json"},
		"another revision": {func(folder string) error {
			return rewrite(folder, func(m map[string]any) { m["store"].(map[string]any)["revision"] = 99 })
		}, "the manifest says"},
		"a later format": {func(folder string) error {
			return rewrite(folder, func(m map[string]any) { m["format"] = 2 })
		}, "has format 2"},
		"an unknown key": {func(folder string) error {
			return rewrite(folder, func(m map[string]any) { m["extra"] = 1 })
		}, "extra"},
		"a path outside": {func(folder string) error {
			return rewrite(folder, func(m map[string]any) {
				m["files"] = append(m["files"].([]any), map[string]any{"path": "../etc/passwd", "bytes": 1, "sha256": ""})
			})
		}, "outside"},
		"a module left out of the manifest": {func(folder string) error {
			return rewrite(folder, func(m map[string]any) { m["modules"] = []any{} })
		}, "the modules are"},
		"a link": {func(folder string) error {
			return os.Symlink("/etc/passwd", filepath.Join(folder, "modules", "link"))
		}, "link"},
	} {
		t.Run(name, func(t *testing.T) {
			folder := filepath.Join(t.TempDir(), "copy")
			require.NoError(t, os.CopyFS(folder, os.DirFS(whole)))
			require.NoError(t, c.damage(folder))
			code, out := server(t, "backup", "verify", folder)
			assert.Equal(t, 1, code, out)
			assert.Contains(t, out, c.says)
			target := filepath.Join(t.TempDir(), "data")
			code, out = server(t, "backup", "restore", folder, "--data", target)
			assert.Equal(t, 1, code, out)
			assert.NoDirExists(t, target)
			left, err := filepath.Glob(target + "*")
			require.NoError(t, err)
			assert.Empty(t, left, "nothing half-written stays")
		})
	}
}

func flip(path string, at int64) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	defer func() { _ = f.Close() }()
	one := make([]byte, 1)
	if _, err := f.ReadAt(one, at); err != nil {
		return err
	}
	one[0] ^= 0x40
	_, err = f.WriteAt(one, at)
	return err
}

func rewrite(folder string, change func(map[string]any)) error {
	path := filepath.Join(folder, "manifest.json")
	text, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	var m map[string]any
	if err := json.Unmarshal(text, &m); err != nil {
		return err
	}
	change(m)
	if text, err = json.Marshal(m); err != nil {
		return err
	}
	return os.WriteFile(path, text, 0o600)
}
