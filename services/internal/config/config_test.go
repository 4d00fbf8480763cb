package config

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"log/slog"
	"math/big"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/commonvat/commonvat/plugins/sdk/sandbox"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func file(t *testing.T, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "commonvatd.yaml")
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	return path
}

func pair(t *testing.T) (cert, key string) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{SerialNumber: big.NewInt(1), NotAfter: time.Now().Add(time.Hour)}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &private.PublicKey, private)
	require.NoError(t, err)
	keyDER, err := x509.MarshalPKCS8PrivateKey(private)
	require.NoError(t, err)
	cert, key = filepath.Join(t.TempDir(), "cert.pem"), filepath.Join(t.TempDir(), "key.pem")
	require.NoError(t, os.WriteFile(cert, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600))
	require.NoError(t, os.WriteFile(key, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: keyDER}), 0o600))
	return cert, key
}

func TestDefaultsAlone(t *testing.T) {
	got, err := Load(Input{RuntimeDir: "/run/user/1/commonvat", Environ: []string{"HOME=/nowhere", "COMMONVAT_SERVER=of the client"}})
	require.NoError(t, err)
	assert.Equal(t, Config{
		Data: "data", Listen: "127.0.0.1:7730", RuntimeDir: "/run/user/1/commonvat", LogLevel: slog.LevelInfo, StopGrace: 5 * time.Second, Reflection: true,
		Modules: Modules{Sandbox: sandbox.Local},
		Limits: map[string]Limit{
			"read": {20_000, 40_000}, "write": {5_000, 20_000}, "import": {50, 400}, "question": {20, 200}, "watch": {5, 300}, "steward": {5, 100},
		},
	}, got.Config)
	assert.Empty(t, got.File)
	for _, value := range got.Values {
		assert.Equal(t, FromDefault, value.Source, value.Key)
	}
}

func TestFlagBeforeVariableBeforeFileBeforeDefault(t *testing.T) {
	path := file(t, "# the cooperative's\ndata: /of/file\nlisten: 127.0.0.1:1\nlog:\n  level: warn\nstop_grace: 7s\n")
	got, err := Load(Input{
		File: path, RuntimeDir: "/r", Flags: map[string]string{"data": "/of/flag"},
		Environ: []string{"COMMONVATD_DATA=/of/variable", "COMMONVATD_LISTEN=127.0.0.1:2", "COMMONVATD_CONFIG=/not/this"},
	})
	require.NoError(t, err)
	sources := map[string]Value{}
	for _, value := range got.Values {
		sources[value.Key] = value
	}
	assert.Equal(t, Value{"data", "/of/flag", "flag --data"}, sources["data"])
	assert.Equal(t, Value{"listen", "127.0.0.1:2", "variable COMMONVATD_LISTEN"}, sources["listen"])
	assert.Equal(t, Value{"log.level", "warn", Source(path + ":5")}, sources["log.level"])
	assert.Equal(t, 7*time.Second, got.Config.StopGrace)
	assert.Equal(t, FromDefault, sources["reflection"].Source)

	got, err = Load(Input{RuntimeDir: "/r", Environ: []string{"COMMONVATD_CONFIG=" + path}})
	require.NoError(t, err)
	assert.Equal(t, path, got.File)
	assert.Equal(t, "/of/file", got.Config.Data)
}

func TestEveryFaultAtOnceWithWhereItCameFrom(t *testing.T) {
	path := file(t, `data: ""
lisen: 127.0.0.1:1
tls:
  cert: a.pem
  client_ca: /nowhere.pem
stop_grace: 1h
limits:
  read:
    rate: -1
    burst: 0.5
  write: {rate: 5}
  dye: {rate: 5}
health:
  listen: 0.0.0.0:1
metrics:
  listen: 127.0.0.1:70000
reflection: perhaps
`)
	_, err := Load(Input{
		File: path, RuntimeDir: "/r", Flags: map[string]string{"log-level": "loud", "ready-file": "/nowhere/at/all"},
		Environ: []string{"COMMONVATD_TLS_KEE=secret words", "COMMONVATD_TLS_REQUIRE_CLIENT_CERT=true"},
	})
	var faults Faults
	require.ErrorAs(t, err, &faults)
	for _, want := range []string{
		"unknown variable; did you mean COMMONVATD_TLS_KEY? (variable COMMONVATD_TLS_KEE)",
		"lisen: unknown key; did you mean listen? (" + path + ":2)",
		"limits.dye.rate: unknown key; did you mean limits.read.rate? (" + path + ":12)",
		"data: is empty; allowed: a folder (" + path + ":1)",
		`ready_file: "/nowhere/at/all" lies in a folder that isn't there; allowed: a file, or empty for none; its folder must be there (flag --ready-file)`,
		`tls.cert: "a.pem" has no tls.key beside it; allowed: both or neither (` + path + ":4)",
		`log.level: "loud" is unknown; allowed: debug, info, warn, error (flag --log-level)`,
		`stop_grace: "1h" is out of range; allowed: a duration such as 5s, above 0, at most 5m0s (` + path + ":6)",
		`health.listen: "0.0.0.0:1" is not loopback; allowed: host:port on loopback, or empty for none (` + path + ":14)",
		`metrics.listen: "127.0.0.1:70000" has no port of 0 to 65535; allowed: host:port on loopback, unix: and an absolute path, or empty for none (` + path + ":16)",
		`reflection: "perhaps" is malformed; allowed: true, false (` + path + ":17)",
		`limits.read.rate: "-1" is out of range; allowed: a number above 0, at most 100000 (` + path + ":9)",
		`limits.read.burst: "0.5" is malformed; allowed: a whole number, 1 to 1000000 (` + path + ":10)",
		`tls.client_ca: "/nowhere.pem" can't be read: open /nowhere.pem: no such file or directory (` + path + ":5)",
	} {
		assert.Contains(t, strings.Split(faults.Error(), "\n"), want)
	}
	assert.Len(t, faults, 14)
	assert.NotContains(t, err.Error(), "secret words")
}

func TestValuesThatStandTogether(t *testing.T) {
	cert, key := pair(t)
	_, other := pair(t)
	for name, c := range map[string]struct {
		flags map[string]string
		says  string // "" for whole
	}{
		"whole with TLS":       {map[string]string{"tls-cert": cert, "tls-key": key, "listen": "0.0.0.0:0", "tls-client-ca": cert, "tls-require-client-cert": "true"}, ""},
		"beyond loopback":      {map[string]string{"listen": "0.0.0.0:7730"}, `listen: "0.0.0.0:7730" is not loopback; allowed: without tls.cert and tls.key, 127.0.0.1 or [::1] (flag --listen)`},
		"key alone":            {map[string]string{"tls-key": key}, "tls.key: "},
		"another key":          {map[string]string{"tls-cert": cert, "tls-key": other}, "private key does not match public key"},
		"key as certificate":   {map[string]string{"tls-cert": key, "tls-key": key}, "tls.cert: "},
		"no CA":                {map[string]string{"tls-cert": cert, "tls-key": key, "tls-require-client-cert": "true"}, "needs tls.client_ca"},
		"CA without TLS":       {map[string]string{"tls-client-ca": cert}, "needs tls.cert and tls.key"},
		"CA without any":       {map[string]string{"tls-cert": cert, "tls-key": key, "tls-client-ca": key}, "holds no certificate"},
		"same address":         {map[string]string{"health-listen": "127.0.0.1:7730"}, "is the address of listen too"},
		"free ports differ":    {map[string]string{"listen": "127.0.0.1:0", "health-listen": "127.0.0.1:0", "metrics-listen": "[::1]:0"}, ""},
		"rate not a number":    {map[string]string{"limits-read-rate": "NaN", "limits-read-burst": "1"}, "out of range"},
		"rate without end":     {map[string]string{"limits-read-rate": "Inf", "limits-read-burst": "1"}, "out of range"},
		"limits":               {map[string]string{"limits-read-rate": "0.5", "limits-read-burst": "1"}, ""},
		"named port":           {map[string]string{"listen": "127.0.0.1:http"}, "has no port"},
		"no port":              {map[string]string{"listen": "127.0.0.1"}, "is malformed"},
		"level in other words": {map[string]string{"log-level": "INFO+1"}, "is unknown"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Load(Input{Flags: c.flags, RuntimeDir: "/r"})
			if c.says == "" {
				require.NoError(t, err)
				return
			}
			require.ErrorContains(t, err, c.says)
			assert.Len(t, err, 1, "one fault is told once: %v", err)
		})
	}
}

func TestForms(t *testing.T) {
	for name, c := range map[string]struct{ text, says string }{
		"empty":           {"", ""},
		"comment alone":   {"# nothing\n", ""},
		"document start":  {"---\ndata: x\n", ""},
		"empty text":      {"ready_file: \"\"\n", ""},
		"twice":           {"data: a\ndata: b\n", "already defined"},
		"two documents":   {"data: a\n---\ndata: b\n", "a second document"},
		"anchor":          {"data: &a x\nlisten: *a\n", "isn't used in this file"},
		"tag":             {"data: !!str x\n", "isn't used in this file"},
		"list":            {"data: [a, b]\n", "isn't used in this file"},
		"null":            {"data:\n", "nothing stands there"},
		"lone":            {"data\n", "a lone value"},
		"dotted":          {"tls.cert: x\n", "a key with a dot"},
		"section as text": {"tls: x\n", "tls: unknown key"},
		"text as section": {"data:\n  folder: x\n", "data.folder: unknown key"},
		"deep":            {"a:\n b:\n  c:\n   d:\n    e:\n     f: 1\n", "nested too deep"},
		"brackets":        {strings.Repeat("[", 100), "nested too deep"},
		"no text":         {"\xff\xfe", "not UTF-8"},
		"no YAML":         {"data: \"x\n", "not valid YAML"},
		"too long":        {"# " + strings.Repeat("x", MaxFileBytes), "more than 65536 bytes"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Load(Input{File: file(t, c.text), RuntimeDir: "/r"})
			if c.says == "" {
				require.NoError(t, err)
				return
			}
			require.ErrorContains(t, err, c.says)
		})
	}
	_, err := Load(Input{File: "/nowhere/at/all.yaml", RuntimeDir: "/r"})
	require.ErrorContains(t, err, "(flag --config)")
	_, err = Load(Input{File: t.TempDir(), RuntimeDir: "/r"})
	require.ErrorContains(t, err, "no regular file")
}

func TestHealthAddress(t *testing.T) {
	for listen, want := range map[string]string{
		"127.0.0.1:7730": "127.0.0.1:7730", "0.0.0.0:7730": "127.0.0.1:7730", ":7730": "127.0.0.1:7730", "[::]:7730": "[::1]:7730", "10.1.2.3:7730": "10.1.2.3:7730",
	} {
		got, withTLS := (&Config{Listen: listen, TLS: TLS{Cert: "x"}}).HealthAddress()
		assert.Equal(t, want, got)
		assert.True(t, withTLS)
	}
	got, withTLS := (&Config{Listen: "0.0.0.0:1", Health: Health{"127.0.0.1:2"}, TLS: TLS{Cert: "x"}}).HealthAddress()
	assert.Equal(t, "127.0.0.1:2", got)
	assert.False(t, withTLS)
}

// The distance is a metric; "kitten" and "sitting" are 3 apart, the textbook's example (from memory).
func TestDistance(t *testing.T) {
	assert.Equal(t, 3, distance("kitten", "sitting"))
	rapid.Check(t, func(t *rapid.T) {
		word := rapid.StringMatching(`[a-c]{0,6}`)
		a, b, c := word.Draw(t, "a"), word.Draw(t, "b"), word.Draw(t, "c")
		assert.Equal(t, distance(a, b), distance(b, a))
		assert.Equal(t, a == b, distance(a, b) == 0)
		assert.LessOrEqual(t, distance(a, c), distance(a, b)+distance(b, c))
	})
}

// Flags and variables are made from the keys; two keys must not share one.
func TestNamesAreDistinct(t *testing.T) {
	seen := map[string]string{FileVariable: "the file"}
	for _, k := range keys("/r") {
		for _, name := range []string{k.flag(), k.variable()} {
			assert.NotContains(t, seen, name, k.name)
			seen[name] = k.name
		}
	}
}

// Whatever a file holds, it is read within bounds and without a panic, and each fault names a line of the file or the whole.
func FuzzFile(f *testing.F) {
	for _, seed := range []string{
		"", "data: /srv\nlisten: 127.0.0.1:1\n", "tls:\n  cert: a\n  key: b\n", "limits: {read: {rate: 1, burst: 2}}\n", "data: &a x\nb: *a\n", "? a\n: b\n", "- x\n",
		"log:\n  level: |\n    info\n", "a: !!binary x\n", "<<: {a: b}\n", "---\n...\n---\n", "data: \"\\u0000\"\n", "{", "a: 'b", "\tx: y", "x: 1e999\n", "1: 2\n", "true: false\n",
	} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) > MaxFileBytes {
			return
		}
		entries, faults := parse(data)
		lines := strings.Count(string(data), "\n") + strings.Count(string(data), "\r") + 1 // a lone CR ends a line too
		for _, e := range entries {
			if e.name == "" || e.line < 0 || e.line > lines {
				t.Fatalf("entry %+v of %d lines", e, lines)
			}
		}
		for _, fault := range faults {
			if fault.text == "" || fault.line < 0 || fault.line > lines {
				t.Fatalf("fault %+v of %d lines", fault, lines)
			}
		}
		if again, _ := parse(data); fmt.Sprint(again) != fmt.Sprint(entries) {
			t.Fatalf("read twice: %v, then %v", entries, again)
		}
	})
}

// The example names every key with its default, so that it can be taken at its word.
func TestExampleFileIsWhole(t *testing.T) {
	text, err := os.ReadFile("../../../deploy/systemd/commonvatd.yaml")
	require.NoError(t, err)
	var lines []string
	for line := range strings.Lines(string(text)) {
		if rest, commented := strings.CutPrefix(line, "#"); commented && !strings.HasPrefix(rest, " ") || strings.HasPrefix(rest, "  ") {
			line = rest
		}
		lines = append(lines, line)
	}
	entries, faults := parse([]byte(strings.Join(lines, "")))
	require.Empty(t, faults)
	given := map[string]string{}
	for _, e := range entries {
		given[e.name] = e.text
	}
	want := map[string]string{}
	for _, k := range keys("/run/user/1000/commonvat") {
		want[k.name] = k.preset
	}
	assert.Equal(t, want, given)
}
