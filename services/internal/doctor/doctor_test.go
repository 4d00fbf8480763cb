package doctor

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/sandbox"
	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/config"
	"github.com/commonvat/commonvat/services/internal/datafolder"
	"github.com/commonvat/commonvat/services/internal/packs"
	"github.com/commonvat/commonvat/services/internal/store"
)

// now is when the tests take place.
var now = time.Now()

// module makes a module folder of a kind and installs it.
func module(t *testing.T, store, kind string) (digest string) {
	t.Helper()
	folder := t.TempDir()
	name := kind + "-test"
	require.NoError(t, os.WriteFile(filepath.Join(folder, "module.json"), fmt.Appendf(nil, `{"name":%q,"version":"1.0.0","kind":%q}`, name, kind), 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(folder, "commonvat-module-"+name), []byte("#!/bin/false\n"), 0o700))
	digest, err := catalog.Install(store, folder)
	require.NoError(t, err)
	return digest
}

// certificate makes a self-signed pair for names, valid for a time around now.
func certificate(t *testing.T, from, until time.Time, names ...string) (cert, key string) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{SerialNumber: big.NewInt(1), NotBefore: from, NotAfter: until}
	for _, name := range names {
		if ip := net.ParseIP(name); ip != nil {
			template.IPAddresses = append(template.IPAddresses, ip)
		} else {
			template.DNSNames = append(template.DNSNames, name)
		}
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &private.PublicKey, private)
	require.NoError(t, err)
	dir := t.TempDir()
	cert, key = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	require.NoError(t, os.WriteFile(cert, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600))
	require.NoError(t, os.WriteFile(key, []byte("a key"), 0o600))
	return cert, key
}

// whole is an installation that nothing is wrong with: a core runs on it and answers.
func whole(t *testing.T) *Installation {
	t.Helper()
	data := filepath.Join(t.TempDir(), "data")
	require.NoError(t, os.Mkdir(data, 0o700))
	require.NoError(t, os.WriteFile(datafolder.Store(data), []byte("records"), 0o600))
	lock(t, data)
	for _, kind := range sdk.Kinds() {
		module(t, datafolder.Modules(data), kind)
	}
	require.NoError(t, os.WriteFile(datafolder.LastBackup(data), fmt.Appendf(nil, `{"time":%q}`, now.Add(-time.Hour).Format(time.RFC3339)), 0o600))
	runtime, err := os.MkdirTemp("", "cv")
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, os.RemoveAll(runtime)) })
	cert, key := certificate(t, now.Add(-time.Hour), now.AddDate(1, 0, 0), "vat.example")
	require.NoError(t, os.WriteFile(filepath.Join(data, "ash.token"), []byte("a token"), 0o600))
	return &Installation{
		Config: config.Config{
			Data: data, Listen: "0.0.0.0:7730", RuntimeDir: runtime, TLS: config.TLS{Cert: cert, Key: key}, Health: config.Health{Listen: "127.0.0.1:7731"},
			Modules: config.Modules{Sandbox: sandbox.Production},
		},
		ConfigFile: "commonvatd.yaml",
		ReadStore:  func(context.Context, string) (StoreState, error) { return StoreState{Schema: 2, Known: 2}, nil },
		AskHealth:  func(context.Context, string, string) (bool, error) { return true, nil },
		System: System{
			FileSystem:        func(string) (FileSystem, error) { return FileSystem{Type: "ext", Free: 100 << 30}, nil },
			ClockSynchronised: func() (bool, error) { return true, nil },
			Kernel:            func() sandbox.Kernel { return sandbox.Kernel{Linux: true, LandlockABI: 7, Seccomp: true} },
			OpenFiles:         func() (uint64, error) { return 65536, nil },
			UserID:            os.Getuid(),
		},
		Now: func() time.Time { return now },
	}
}

// packed keeps a pack of a module, and returns its file.
func packed(t *testing.T, in *Installation, module string, inForce bool) string {
	t.Helper()
	folder := datafolder.Packs(in.Config.Data)
	digest, err := packs.OpenFolder(folder).Keep([]byte("rules"))
	require.NoError(t, err)
	in.ReadStore = func(context.Context, string) (StoreState, error) {
		return StoreState{Schema: 2, Known: 2, Packs: []store.PackRow{{Module: module, Kind: sdk.KindSafety, Digest: digest, Name: "ours", Version: "1.0.0", Bytes: 5, InForce: inForce}}}, nil
	}
	return filepath.Join(folder, "sha256", digest)
}

// retire says of a module that it is taken out.
func retire(in *Installation, module string) {
	before := in.ReadStore
	in.ReadStore = func(ctx context.Context, path string) (StoreState, error) {
		state, err := before(ctx, path)
		state.Retired = append(state.Retired, module)
		return state, err
	}
}

// lock holds the store's lock as a core does, until the test ends or the returned file is closed.
func lock(t *testing.T, data string) *os.File {
	t.Helper()
	path := filepath.Join(data, datafolder.StoreFile+".lock")
	file, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	require.NoError(t, err)
	require.NoError(t, unix.Flock(int(file.Fd()), unix.LOCK_EX|unix.LOCK_NB))
	t.Cleanup(func() { _ = file.Close() })
	return file
}

func TestWholeInstallationHasNothingToDo(t *testing.T) {
	findings := Examine(t.Context(), *whole(t))
	checks := map[string]bool{}
	for _, f := range findings {
		assert.Equal(t, OK, f.Level, "%+v", f)
		assert.Empty(t, f.Do, "%+v", f)
		assert.NotEmpty(t, f.Found, "%+v", f)
		assert.False(t, checks[f.Check], "%s is told twice", f.Check)
		checks[f.Check] = true
	}
	assert.Len(t, checks, 15)
	assert.False(t, Faulty(findings))
}

// Each case breaks one thing of an installation that is whole, and wants that one said, with what to do, and nothing else.
func TestBrokenInstallations(t *testing.T) {
	write := func(t *testing.T, path, text string, mode os.FileMode) {
		require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o700))
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		require.NoError(t, os.Chmod(path, mode))
	}
	on := func(system FileSystem) func(*testing.T, *Installation) {
		return func(_ *testing.T, in *Installation) {
			in.System.FileSystem = func(string) (FileSystem, error) { return system, nil }
		}
	}
	certified := func(from, until time.Time, names ...string) func(*testing.T, *Installation) {
		return func(t *testing.T, in *Installation) {
			in.Config.TLS.Cert, in.Config.TLS.Key = certificate(t, from, until, names...)
		}
	}
	for name, c := range map[string]struct {
		broken func(t *testing.T, in *Installation)
		check  string
		level  Level
		says   string
	}{
		"configuration": {func(_ *testing.T, in *Installation) {
			in.ConfigFault = config.Faults{{Key: "lisen", Problem: "unknown key", Source: "x.yaml:2"}}
		}, "configuration", Fault, "lisen: unknown key (x.yaml:2)"},
		"data folder written by others": {func(t *testing.T, in *Installation) { require.NoError(t, os.Chmod(in.Config.Data, 0o770)) }, "data folder", Fault, "mode 0770"},
		"data folder open to all":       {func(t *testing.T, in *Installation) { require.NoError(t, os.Chmod(in.Config.Data, 0o755)) }, "data folder", Attention, "mode 0755"},
		"another user":                  {func(_ *testing.T, in *Installation) { in.System.UserID = os.Getuid() + 1 }, "data folder", Attention, "who may see less"},
		"network file system":           {on(FileSystem{Type: "nfs", Free: 100 << 30}), "file system", Fault, "on nfs"},
		"Windows share":                 {on(FileSystem{Type: "cifs", Free: 100 << 30}), "file system", Fault, "on cifs"},
		"read-only":                     {on(FileSystem{Type: "ext", Free: 100 << 30, ReadOnly: true}), "file system", Fault, "read-only"},
		"in memory":                     {on(FileSystem{Type: "tmpfs", Free: 100 << 30}), "file system", Attention, "in memory"},
		"container's layer":             {on(FileSystem{Type: "overlay", Free: 100 << 30}), "file system", Attention, "gone with the container"},
		"nearly full":                   {on(FileSystem{Type: "ext", Free: FreeAttention - 1}), "free space", Attention, "1023 MiB"},
		"full":                          {on(FileSystem{Type: "ext", Free: FreeFault - 1}), "free space", Fault, "63 MiB"},
		"noexec":                        {on(FileSystem{Type: "ext", Free: 100 << 30, NoExec: true}), "modules", Fault, "noexec"},
		"no file system known": {func(_ *testing.T, in *Installation) {
			in.System.FileSystem = func(string) (FileSystem, error) { return FileSystem{}, errors.New("not known") }
		}, "file system", Attention, "not known"},
		"store missing": {func(t *testing.T, in *Installation) {
			require.NoError(t, os.Remove(datafolder.Store(in.Config.Data)))
		}, "store", Attention, "isn't there"},
		"store open to others": {func(t *testing.T, in *Installation) {
			require.NoError(t, os.Chmod(datafolder.Store(in.Config.Data), 0o640))
		}, "store", Fault, "others may read the records (mode 0640)"},
		"store damaged": {func(_ *testing.T, in *Installation) {
			in.ReadStore = func(context.Context, string) (StoreState, error) { return StoreState{}, errors.New("malformed") }
		}, "store", Fault, "can't be read: malformed"},
		"store newer": {func(_ *testing.T, in *Installation) {
			in.ReadStore = func(context.Context, string) (StoreState, error) { return StoreState{Schema: 3, Known: 2}, nil }
		}, "store", Fault, "schema version 3 is of a newer program"},
		"store older": {func(_ *testing.T, in *Installation) {
			in.ReadStore = func(context.Context, string) (StoreState, error) { return StoreState{Schema: 1, Known: 2}, nil }
		}, "store", Attention, "the next start brings it to 2"},
		"core hangs": {func(_ *testing.T, in *Installation) {
			in.AskHealth = func(context.Context, string, string) (bool, error) { return false, errors.New("no answer") }
		}, "core", Fault, "runs, and doesn't answer at 127.0.0.1:7731: no answer"},
		"core starts": {func(_ *testing.T, in *Installation) {
			in.AskHealth = func(context.Context, string, string) (bool, error) { return false, nil }
		}, "core", Attention, "doesn't serve yet"},
		"another core": {func(t *testing.T, in *Installation) {
			require.NoError(t, os.Remove(filepath.Join(in.Config.Data, datafolder.StoreFile+".lock")))
		}, "core", Attention, "another answers at 127.0.0.1:7731"},
		"core stopped": {func(t *testing.T, in *Installation) {
			require.NoError(t, os.Remove(filepath.Join(in.Config.Data, datafolder.StoreFile+".lock")))
			in.AskHealth = func(context.Context, string, string) (bool, error) { return false, errors.New("refused") }
		}, "core", Attention, "doesn't run"},
		"long runtime folder": {func(_ *testing.T, in *Installation) { in.Config.RuntimeDir = "/" + strings.Repeat("r", maxRuntimeDir) }, "runtime folder", Fault, "sockets leave room for"},
		"shared runtime":      {func(t *testing.T, in *Installation) { require.NoError(t, os.Chmod(in.Config.RuntimeDir, 0o777)) }, "runtime folder", Fault, "mode 0777"},
		"runtime is a file": {func(t *testing.T, in *Installation) {
			in.Config.RuntimeDir = filepath.Join(in.Config.RuntimeDir, "f") // short
			write(t, in.Config.RuntimeDir, "", 0o600)
		}, "runtime folder", Fault, "is no folder"},
		"token open to others": {func(t *testing.T, in *Installation) {
			write(t, filepath.Join(in.Config.Data, "tokens", "fern.token"), "x", 0o644)
		}, "secret files", Fault, "fern.token (mode 0644)"},
		"key open to others":  {func(t *testing.T, in *Installation) { require.NoError(t, os.Chmod(in.Config.TLS.Key, 0o640)) }, "secret files", Fault, "key.pem (mode 0640)"},
		"key missing":         {func(t *testing.T, in *Installation) { require.NoError(t, os.Remove(in.Config.TLS.Key)) }, "secret files", Fault, "no such file"},
		"certificate missing": {func(_ *testing.T, in *Installation) { in.Config.TLS.Cert = "/nowhere.pem" }, "certificate", Fault, "no such file"},
		"certificate is none": {func(t *testing.T, in *Installation) { write(t, in.Config.TLS.Cert, "x", 0o600) }, "certificate", Fault, "holds no certificate"},
		"certificate damaged": {func(t *testing.T, in *Installation) {
			write(t, in.Config.TLS.Cert, "-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n", 0o600)
		}, "certificate", Fault, "x509"},
		"certificate ended":     {certified(now.AddDate(0, 0, -9), now.AddDate(0, 0, -1), "vat.example"), "certificate", Fault, "ended on"},
		"certificate to come":   {certified(now.AddDate(0, 0, 1), now.AddDate(1, 0, 0), "vat.example"), "certificate", Fault, "begins on"},
		"certificate ends soon": {certified(now.AddDate(0, 0, -9), now.AddDate(0, 0, 9), "vat.example"), "certificate", Attention, "ends on"},
		"certificate nameless":  {certified(now.AddDate(0, 0, -9), now.AddDate(1, 0, 0)), "certificate", Fault, "names no server"},
		"certificate of another": {func(t *testing.T, in *Installation) {
			in.Config.Listen = "192.0.2.1:7730"
			in.Config.TLS.Cert, in.Config.TLS.Key = certificate(t, now.Add(-time.Hour), now.AddDate(1, 0, 0), "192.0.2.2")
		}, "certificate", Attention, "it is for 192.0.2.2, and the core listens on 192.0.2.1"},
		"clock far back": {func(_ *testing.T, in *Installation) {
			in.Now = func() time.Time { return time.Unix(0, 0) }
			in.Config.TLS = config.TLS{}
			in.Config.Listen = "127.0.0.1:1"
		}, "clock", Fault, "it shows 1970"},
		"clock behind": {func(t *testing.T, in *Installation) {
			require.NoError(t, os.Chtimes(datafolder.Store(in.Config.Data), now, now.Add(time.Hour)))
		}, "clock", Fault, "was written at"},
		"clock left to drift": {func(_ *testing.T, in *Installation) {
			in.System.ClockSynchronised = func() (bool, error) { return false, nil }
		}, "clock", Attention, "follows no reference"},
		"no backup": {func(t *testing.T, in *Installation) {
			require.NoError(t, os.Remove(datafolder.LastBackup(in.Config.Data)))
		}, "backup", Attention, "none was made"},
		"old backup": {func(t *testing.T, in *Installation) {
			write(t, datafolder.LastBackup(in.Config.Data), fmt.Sprintf(`{"time":%q,"path":"/elsewhere"}`, now.AddDate(0, 0, -8).Format(time.RFC3339)), 0o600)
		}, "backup", Attention, "8 days old"},
		"backup to come": {func(t *testing.T, in *Installation) {
			write(t, datafolder.LastBackup(in.Config.Data), fmt.Sprintf(`{"time":%q}`, now.AddDate(0, 0, 8).Format(time.RFC3339)), 0o600)
		}, "backup", Attention, "yet to come"},
		"backup unreadable": {func(t *testing.T, in *Installation) {
			write(t, datafolder.LastBackup(in.Config.Data), "{", 0o600)
		}, "backup", Attention, "can't be read"},
		"backup timeless": {func(t *testing.T, in *Installation) {
			write(t, datafolder.LastBackup(in.Config.Data), "{}", 0o600)
		}, "backup", Attention, "doesn't say when"},
		"no Landlock": {func(_ *testing.T, in *Installation) {
			in.System.Kernel = func() sandbox.Kernel { return sandbox.Kernel{Linux: true, Seccomp: true} }
		}, "sandbox", Fault, "no Landlock, seccomp filters: under production no module is started"},
		"no Landlock, accepted": {func(_ *testing.T, in *Installation) {
			in.Config.Modules.Sandbox = sandbox.Local
			in.System.Kernel = func() sandbox.Kernel { return sandbox.Kernel{Linux: true, Seccomp: true} }
		}, "sandbox", Attention, "not refused to modules: reading files outside its own folder"},
		"not held":       {func(_ *testing.T, in *Installation) { in.Config.Modules.Sandbox = sandbox.Off }, "sandbox", Attention, "it is off"},
		"few open files": {func(_ *testing.T, in *Installation) { in.System.OpenFiles = func() (uint64, error) { return 256, nil } }, "open files", Attention, "at most 256"},
		"no modules": {func(t *testing.T, in *Installation) {
			require.NoError(t, os.RemoveAll(datafolder.Modules(in.Config.Data)))
		}, "modules", Attention, "none is installed"},
		"a kind missing": {func(t *testing.T, in *Installation) {
			folder := datafolder.Modules(in.Config.Data)
			require.NoError(t, os.RemoveAll(folder))
			module(t, folder, sdk.KindPalette)
		}, "modules", Attention, "1 installed, none of kind reading, difference, compare"},
		"module exchanged": {func(t *testing.T, in *Installation) {
			path := executables(t, in)[0]
			require.NoError(t, os.Chmod(path, 0o755))
			write(t, path, "#!/bin/true\n", 0o555)
		}, "modules", Fault, "isn't the one that was installed"},
		"manifest exchanged": {func(t *testing.T, in *Installation) {
			path := filepath.Join(filepath.Dir(executables(t, in)[0]), "module.json")
			require.NoError(t, os.Chmod(path, 0o644))
			write(t, path, `{"name":"compare-other","version":"1.0.0","kind":"compare"}`, 0o444)
		}, "modules", Fault, "does not fit the manifest"},
		"module may be exchanged": {func(t *testing.T, in *Installation) { require.NoError(t, os.Chmod(executables(t, in)[0], 0o777)) }, "modules", Fault, "others may write to"},
		"no pack in force":        {func(t *testing.T, in *Installation) { packed(t, in, "safety-test", false) }, "packs", Attention, "nothing is in force for safety-test"},
		"pack of a module that is retired": {func(t *testing.T, in *Installation) {
			packed(t, in, "safety-test", true)
			retire(in, "safety-test")
		}, "packs", Attention, "ours 1.0.0 is in force for safety-test, which is retired"},
		"pack of a module that is gone": {func(t *testing.T, in *Installation) { packed(t, in, "safety-gone", true) }, "packs", Attention, "in force for safety-gone, which isn't installed"},
		"pack's content missing": {func(t *testing.T, in *Installation) {
			require.NoError(t, os.Remove(packed(t, in, "safety-test", true)))
		}, "packs", Fault, "ours 1.0.0 of safety-test: its content 6c62"},
		"pack's content changed": {func(t *testing.T, in *Installation) {
			path := packed(t, in, "safety-test", true)
			require.NoError(t, os.Chmod(path, 0o600))
			write(t, path, "other rules", 0o400)
		}, "packs", Fault, "its SHA-256 is"},
		"modules' folder open": {func(t *testing.T, in *Installation) {
			require.NoError(t, os.Chmod(datafolder.Modules(in.Config.Data), 0o777))
		}, "modules", Fault, "mode 0777"},
	} {
		t.Run(name, func(t *testing.T) {
			in := whole(t)
			c.broken(t, in)
			var told []Finding
			for _, f := range Examine(t.Context(), *in) {
				if f.Level != OK {
					told = append(told, f)
				}
			}
			if name == "clock far back" { // the age of the backup goes by the same clock
				told = told[:1]
			}
			require.Len(t, told, 1, "%+v", told)
			assert.Equal(t, c.check, told[0].Check)
			assert.Equal(t, c.level, told[0].Level)
			assert.Contains(t, told[0].Found, c.says)
			if name != "no file system known" {
				assert.NotEmpty(t, told[0].Do)
			}
			assert.Equal(t, c.level == Fault, Faulty(told))
		})
	}
}

func executables(t *testing.T, in *Installation) []string {
	t.Helper()
	installed, err := catalog.List(datafolder.Modules(in.Config.Data))
	require.NoError(t, err)
	paths := make([]string, len(installed))
	for i, module := range installed {
		paths[i] = module.Executable
	}
	return paths
}

// Where nothing is there, everything that can be said is said.
func TestNothingThere(t *testing.T) {
	in := whole(t)
	in.Config.Data = filepath.Join(t.TempDir(), "nowhere", "at", "all")
	findings := Examine(t.Context(), *in)
	assert.True(t, Faulty(findings))
	assert.Contains(t, fmt.Sprint(findings), "isn't there")
	in.Config.Data = filepath.Join(t.TempDir(), "file")
	require.NoError(t, os.WriteFile(in.Config.Data, nil, 0o600))
	assert.True(t, Faulty(Examine(t.Context(), *in)))
}

func TestOwners(t *testing.T) {
	if os.Getuid() != 0 {
		t.Skip("another owner can only be made by root, which .ci/run is run as")
	}
	in := whole(t)
	require.NoError(t, os.Chown(datafolder.Store(in.Config.Data), 10001, 10001))
	require.NoError(t, os.Chown(in.Config.RuntimeDir, 10001, 10001))
	text := fmt.Sprint(Examine(t.Context(), *in))
	assert.Contains(t, text, datafolder.StoreFile+" belongs to user 10001, the data folder to user 0")
	assert.Contains(t, text, in.Config.RuntimeDir+" belongs to user 10001, the data folder to user 0")
}

// The machine that the tests run on answers; what it says is its own.
func TestThisSystem(t *testing.T) {
	system := ThisSystem()
	below, err := system.FileSystem(t.TempDir())
	require.NoError(t, err)
	assert.NotEmpty(t, below.Type)
	assert.Positive(t, below.Free)
	_, err = system.FileSystem("/nowhere/at/all")
	require.Error(t, err)
	proc, err := system.FileSystem("/proc")
	require.NoError(t, err)
	assert.Equal(t, "0x9fa0", proc.Type, "PROC_SUPER_MAGIC of statfs(2)")
	files, err := system.OpenFiles()
	require.NoError(t, err)
	assert.Positive(t, files)
	_, err = system.ClockSynchronised()
	require.NoError(t, err)
	assert.Equal(t, sandbox.Survey(), system.Kernel())
}
