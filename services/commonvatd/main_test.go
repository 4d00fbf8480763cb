package main

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/json"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	accesspb "github.com/commonvat/commonvat/proto/gen/go/commonvat/access/v1"
	poolpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	"github.com/commonvat/commonvat/services/internal/api/limits"
	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/config"
	"github.com/commonvat/commonvat/services/internal/datafolder"
)

// The host of modules keeps one thread for starting them, for as long as the process lives: modules end with that thread.
func TestMain(m *testing.M) {
	for _, v := range os.Environ() { // traces are off and nothing is configured, whatever whoever runs the tests has set
		if name, _, _ := strings.Cut(v, "="); strings.HasPrefix(name, "OTEL_") || strings.HasPrefix(name, "COMMONVATD_") {
			_ = os.Unsetenv(name)
		}
	}
	plugintest.RunWithoutLeaks(m, goleak.IgnoreAnyFunction("github.com/commonvat/commonvat/plugins/sdk/host.spawn"))
}

// output is a writer for two goroutines.
type output struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (o *output) Write(p []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.buf.Write(p)
}

func (o *output) String() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.buf.String()
}

func command(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, errs output
	code = run(t.Context(), args, &out, &errs)
	return code, out.String(), errs.String()
}

// serving is a core that runs in this process.
type serving struct {
	address string
	log     *output
	stop    func() int
}

// sockets is a short folder: the path of a socket has at most 107 bytes.
func sockets(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "cvat")
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, os.RemoveAll(dir)) })
	return dir
}

func runCore(t *testing.T, data string, more ...string) *serving {
	t.Helper()
	ready := filepath.Join(t.TempDir(), "ready")
	ctx, cancel := context.WithCancel(context.Background())
	s := &serving{log: &output{}}
	ended := make(chan int, 1)
	args := append([]string{"serve", "--data", data, "--listen", "127.0.0.1:0", "--runtime-dir", sockets(t), "--ready-file", ready, "--stop-grace", "2s"}, more...)
	go func() { ended <- run(ctx, args, s.log, s.log) }()
	var once sync.Once
	code := -1
	s.stop = func() int {
		once.Do(func() { cancel(); code = <-ended })
		return code
	}
	t.Cleanup(func() { s.stop() })
	require.Eventually(t, func() bool {
		text, err := os.ReadFile(ready)
		s.address = strings.TrimSpace(string(text))
		return err == nil
	}, time.Minute, 5*time.Millisecond, "not ready: %s", s.log)
	t.Cleanup(func() { s.stop(); assert.NoFileExists(t, ready) })
	return s
}

func dial(t *testing.T, address string, with credentials.TransportCredentials) *grpc.ClientConn {
	t.Helper()
	conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(with))
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, conn.Close()) })
	return conn
}

func TestBootstrapServeAndStop(t *testing.T) {
	data := filepath.Join(t.TempDir(), "data")
	tokenFile := filepath.Join(t.TempDir(), "token")
	code, stdout, stderr := command(t, "member", "add", "stella", "--data", data, "--name", "Stella", "--role", "steward,member", "--token-file", tokenFile)
	require.Equal(t, exitOK, code, stderr)
	assert.Empty(t, stdout, "the token goes into the file alone")
	info, err := os.Stat(tokenFile)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	token, err := os.ReadFile(tokenFile)
	require.NoError(t, err)

	core := runCore(t, data)
	conn := dial(t, core.address, insecure.NewCredentials())
	ctx, cancel := context.WithTimeout(metadata.AppendToOutgoingContext(t.Context(), "authorization", "Bearer "+strings.TrimSpace(string(token))), time.Minute)
	defer cancel()
	who, err := accesspb.NewAccessServiceClient(conn).GetCurrentMember(ctx, &accesspb.GetCurrentMemberRequest{})
	require.NoError(t, err)
	assert.Equal(t, "Stella", who.GetDisplayName())
	health, err := healthpb.NewHealthClient(conn).Check(t.Context(), &healthpb.HealthCheckRequest{})
	require.NoError(t, err, "health needs no token")
	assert.Equal(t, healthpb.HealthCheckResponse_SERVING, health.GetStatus())
	// Nothing is installed: records are served, and a question is refused with what is missing.
	_, err = poolpb.NewPoolServiceClient(conn).GetPoolStatus(ctx, &poolpb.GetPoolStatusRequest{})
	require.NoError(t, err)

	code, _, stderr = command(t, "member", "token", "stella", "--data", data)
	assert.Equal(t, exitFault, code)
	assert.Contains(t, stderr, "in use by another process")
	assert.Contains(t, stderr, "stop the core first")

	assert.Equal(t, exitOK, core.stop())
	assert.NotContains(t, core.log.String(), strings.TrimSpace(string(token)))
	for line := range strings.Lines(core.log.String()) {
		assert.True(t, json.Valid([]byte(line)), line)
	}
	assert.Contains(t, core.log.String(), `"msg":"stopped"`)

	code, stdout, stderr = command(t, "member", "token", "stella", "--data", data)
	require.Equal(t, exitOK, code, stderr)
	assert.Regexp(t, `^cvat_[a-z2-7]{16}_[a-z2-7]{52}_[0-9a-f]{8}\n$`, stdout)
}

func TestMemberFaults(t *testing.T) {
	data, folder := filepath.Join(t.TempDir(), "data"), t.TempDir()
	for name, c := range map[string]struct {
		args []string
		code int
		says string
	}{
		"bad id":         {[]string{"member", "add", "Ada!"}, exitUsage, "member.id"},
		"bad role":       {[]string{"member", "add", "ada", "--role", "king"}, exitUsage, "king"},
		"no id":          {[]string{"member", "add"}, exitUsage, "arguments wanted: 1, given: 0; usage: commonvatd member add ID"},
		"unknown flag":   {[]string{"member", "add", "ada", "--colour"}, exitUsage, "unknown flag: --colour; see: commonvatd member add --help"},
		"wrong value":    {[]string{"backup", "create", "x", "--without-modules=perhaps"}, exitUsage, `--without-modules: "perhaps" is not true or false; see: commonvatd backup create --help`},
		"wrong list":     {[]string{"member", "add", "ada", "--role", "a\"b"}, exitUsage, `for "--role" flag: parse error on line 1`},
		"no such folder": {[]string{"member", "token", "ada"}, exitUsage, "holds no records"},
		"unknown":        {[]string{"member", "drop"}, exitUsage, `"drop" is unknown`},
		"mistyped":       {[]string{"sevre"}, exitUsage, `"sevre" is unknown; did you mean serve? see: commonvatd --help`},
		"unknown root":   {[]string{"frob"}, exitUsage, `"frob" is unknown`},
	} {
		args := c.args
		if name == "no such folder" || name == "bad id" || name == "bad role" {
			args = append(args, "--data", data, "--token-file", filepath.Join(folder, "token"))
		}
		code, _, stderr := command(t, args...)
		assert.Equal(t, c.code, code, "%s: %s", name, stderr)
		assert.Contains(t, stderr, c.says, name)
		assert.NoFileExists(t, filepath.Join(folder, "token"), name)
		assert.NoDirExists(t, data, "%s: nothing is begun", name)
	}
	// A file that is there is never written over, and no member is left behind without a token.
	taken := filepath.Join(folder, "taken")
	require.NoError(t, os.WriteFile(taken, []byte("mine"), 0o600))
	code, _, stderr := command(t, "member", "add", "ada", "--data", data, "--token-file", taken)
	assert.Equal(t, exitUsage, code, stderr)
	assert.Contains(t, stderr, "--token-file: "+taken+" is there already; choose a new path")
	code, _, stderr = command(t, "member", "add", "ada", "--data", data, "--token-file", filepath.Join(folder, "none", "token"))
	assert.Equal(t, exitUsage, code, stderr)
	assert.Contains(t, stderr, "--token-file: there is no folder "+filepath.Join(folder, "none"))
	code, _, stderr = command(t, "member", "token", "ada", "--data", data)
	assert.Equal(t, exitFault, code)
	assert.Equal(t, "commonvatd: member \"ada\": not found\n", stderr)
	code, _, stderr = command(t, "member", "add", "ada", "--data", data, "--token-file", filepath.Join(folder, "token"))
	assert.Equal(t, exitOK, code, stderr)
	text, err := os.ReadFile(taken)
	require.NoError(t, err)
	assert.Equal(t, "mine", string(text))
}

func TestConfigurationFaultsComeAtOnce(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	require.NoError(t, os.WriteFile(file, nil, 0o600))
	code, _, stderr := command(t, "serve", "--data", file, "--listen", "0.0.0.0:0", "--tls-cert", "", "--ready-file", "/nowhere/at/all", "--log-level", "loud", "--stop-grace", "0s")
	assert.Equal(t, exitUsage, code)
	for _, says := range []string{"flag --data", "is not loopback", "flag --ready-file", "flag --log-level", "flag --stop-grace"} {
		assert.Contains(t, stderr, says)
	}
	code, _, stderr = command(t, "serve", "--tls-cert", "a.pem", "--listen", "nonsense")
	assert.Equal(t, exitUsage, code)
	assert.Contains(t, stderr, `tls.cert: "a.pem" has no tls.key beside it`)
	assert.Contains(t, stderr, "flag --listen")
	code, _, stderr = command(t, "serve", "--tls-require-client-cert", "--limits-read-rate", "fast", "--limits-write-rate", "0")
	assert.Equal(t, exitUsage, code)
	for _, says := range []string{"tls.require_client_cert", "limits.read.rate", "limits.write.rate"} {
		assert.Contains(t, stderr, says)
	}
}

// Without a word in the configuration the interface's own limits hold, and config show tells them.
func TestLimitsByDefault(t *testing.T) {
	resolved, err := config.Load(config.Input{RuntimeDir: t.TempDir()})
	require.NoError(t, err)
	assert.Equal(t, limits.Default().Rates, memberLimits(&resolved.Config).Rates)
}

func TestModuleCommands(t *testing.T) {
	data := t.TempDir()
	code, stdout, stderr := command(t, "module", "list", "--data", data)
	require.Equal(t, exitOK, code, stderr)
	assert.Equal(t, []string{"KIND", "NAME", "VERSION", "REPORT", "ACTIVE", "DEFAULT", "DIGEST"}, strings.Fields(stdout))

	folder := t.TempDir()
	code, _, stderr = command(t, "module", "install", folder, "--data", data)
	assert.Equal(t, exitFault, code)
	assert.Contains(t, stderr, folder+": it has no module.json")
	says := data + " held neither records nor modules; a core started with --data " + data + " finds there what is installed now"
	assert.Contains(t, stderr, says, "an empty folder may be meant, or not")
	require.NoError(t, os.WriteFile(filepath.Join(folder, "module.json"), []byte(`{"name":"palette-test","version":"1.0.0","kind":"palette"}`), 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(folder, "commonvat-module-palette-test"), []byte("#!/bin/false\n"), 0o700))
	code, _, stderr = command(t, "module", "install", folder, "--data", data)
	assert.Equal(t, exitFault, code)
	assert.Contains(t, stderr, "does not pass")
	code, _, stderr = command(t, "module", "install", folder, "--data", data)
	assert.Equal(t, exitFault, code)
	assert.NotContains(t, stderr, says, "it holds modules now")
	code, stdout, _ = command(t, "module", "list", "--data", data)
	require.Equal(t, exitOK, code)
	row := strings.Fields(stdout)[7:]
	require.Len(t, row, 7)
	assert.Equal(t, []string{"palette", "palette-test", "1.0.0", "failed", "no", "no"}, row[:6], "it is kept, and can't serve")
	code, stdout, stderr = command(t, "module", "report", row[6], "--data", data)
	require.Equal(t, exitOK, code, stderr)
	assert.Contains(t, stdout, `"passed":false`)
	code, _, stderr = command(t, "module", "report", strings.Repeat("0", 64), "--data", data)
	assert.Equal(t, exitFault, code)
	assert.Contains(t, stderr, "no report")
	require.NoError(t, os.WriteFile(filepath.Join(folder, "module.json"), []byte(`{"name":"palette-test","version":"1.0.1","kind":"palette"}`), 0o600))
	_, err := catalog.Install(datafolder.Modules(data), folder) // past the suite
	require.NoError(t, err)
	code, _, _ = command(t, "module", "install")
	assert.Equal(t, exitUsage, code)

	// A module that can't start doesn't keep the core from being ready, nor from ending.
	core := runCore(t, data)
	assert.Equal(t, exitOK, core.stop())
}

func TestVersion(t *testing.T) {
	code, stdout, _ := command(t, "version")
	assert.Equal(t, exitOK, code)
	assert.NotEmpty(t, strings.TrimSpace(stdout))
}

// certificate makes a self-signed pair for 127.0.0.1.
func certificate(t *testing.T) (certFile, keyFile string, pool *x509.CertPool) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test"}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	require.NoError(t, err)
	keyDER, err := x509.MarshalPKCS8PrivateKey(key)
	require.NoError(t, err)
	dir := t.TempDir()
	certFile, keyFile = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	certPEM := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
	require.NoError(t, os.WriteFile(certFile, certPEM, 0o600))
	require.NoError(t, os.WriteFile(keyFile, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: keyDER}), 0o600))
	pool = x509.NewCertPool()
	require.True(t, pool.AppendCertsFromPEM(certPEM))
	return certFile, keyFile, pool
}

func TestTLS(t *testing.T) {
	certFile, keyFile, pool := certificate(t)
	core := runCore(t, t.TempDir(), "--tls-cert", certFile, "--tls-key", keyFile)
	check := func(config *tls.Config) error {
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		_, err := healthpb.NewHealthClient(dial(t, core.address, credentials.NewTLS(config))).Check(ctx, &healthpb.HealthCheckRequest{})
		return err
	}
	require.NoError(t, check(&tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS13}))
	assert.Equal(t, codes.Unavailable, status.Code(check(&tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS12, MaxVersion: tls.VersionTLS12})), "TLS 1.2 is refused")
	assert.Equal(t, exitOK, core.stop())
}
