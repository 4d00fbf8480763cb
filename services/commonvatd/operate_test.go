package main

import (
	"encoding/json"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"

	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	"github.com/commonvat/commonvat/services/internal/config"
	"github.com/commonvat/commonvat/services/internal/datafolder"
	"github.com/commonvat/commonvat/services/internal/doctor"
)

func TestConfigCommands(t *testing.T) {
	path := filepath.Join(t.TempDir(), "commonvatd.yaml")
	require.NoError(t, os.WriteFile(path, []byte("data: /srv/vat\nlog:\n  level: debug\n"), 0o600))
	code, stdout, stderr := command(t, "config", "check", "--config", path)
	require.Equal(t, exitOK, code, stderr)
	assert.Equal(t, "configuration is whole\n", stdout)

	code, stdout, stderr = command(t, "config", "show", "--config", path, "--stop-grace", "9s", "--output", "json")
	require.Equal(t, exitOK, code, stderr)
	var values []config.Value
	require.NoError(t, json.Unmarshal([]byte(stdout), &values))
	assert.Contains(t, values, config.Value{Key: "data", Value: "/srv/vat", Source: config.Source(path + ":1")})
	assert.Contains(t, values, config.Value{Key: "stop_grace", Value: "9s", Source: "flag --stop-grace"})
	assert.Contains(t, values, config.Value{Key: "listen", Value: "127.0.0.1:7730", Source: config.FromDefault})

	t.Setenv("COMMONVATD_LOG_LEVEL", "warn")
	code, stdout, _ = command(t, "config", "show", "--config", path)
	require.Equal(t, exitOK, code)
	assert.Regexp(t, `log\.level +"warn" +variable COMMONVATD_LOG_LEVEL`, stdout)

	// What is faulty is shown too, and said.
	t.Setenv("COMMONVATD_LOGLEVEL", "warn")
	for _, args := range [][]string{{"config", "check"}, {"config", "show"}, {"serve"}, {"healthcheck"}} {
		code, _, stderr = command(t, append(args, "--config", path, "--stop-grace", "0s")...)
		assert.Equal(t, exitUsage, code, args)
		assert.Contains(t, stderr, "did you mean COMMONVATD_LOG_LEVEL?", args)
		assert.Contains(t, stderr, "stop_grace: ", args)
	}
	code, _, stderr = command(t, "config", "show", "--output", "yaml")
	assert.Equal(t, exitUsage, code)
	assert.Contains(t, stderr, "allowed: table, json")
}

func freeAddress(t *testing.T) string {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer func() { require.NoError(t, listener.Close()) }()
	return listener.Addr().String()
}

func TestHealthcheck(t *testing.T) {
	certFile, keyFile, _ := certificate(t)
	probing := freeAddress(t)
	core := runCore(t, t.TempDir(), "--tls-cert", certFile, "--tls-key", keyFile, "--health-listen", probing)

	for name, c := range map[string]struct {
		args []string
		code int
		says string
	}{
		"plain probe":      {[]string{"--address", probing}, exitOK, "SERVING\n"},
		"as configured":    {[]string{"--health-listen", probing, "--listen", core.address}, exitOK, "SERVING\n"},
		"over TLS":         {[]string{"--address", core.address, "--tls-ca", certFile}, exitOK, "SERVING\n"},
		"one service":      {[]string{"--address", probing, "--service", "commonvat.lab.v1.TrialService"}, exitOK, "SERVING\n"},
		"unknown service":  {[]string{"--address", probing, "--service", "commonvat.frob"}, exitFault, "unknown service"},
		"another name":     {[]string{"--address", core.address, "--tls-ca", certFile, "--tls-name", "elsewhere.invalid"}, exitFault, "doesn't answer"},
		"plain to TLS":     {[]string{"--address", core.address}, exitFault, "doesn't answer"},
		"nobody there":     {[]string{"--address", freeAddress(t), "--timeout", "1s"}, exitFault, "doesn't answer"},
		"no certificate":   {[]string{"--address", core.address, "--tls-ca", keyFile}, exitUsage, "holds no certificate"},
		"name without TLS": {[]string{"--address", probing, "--tls-name", "x"}, exitUsage, "--tls-name"},
		"no port":          {[]string{"--address", "127.0.0.1"}, exitUsage, `"127.0.0.1" is malformed; allowed: host:port`},
		"bare figure":      {[]string{"--address", probing, "--timeout", "5"}, exitUsage, `--timeout: "5" is not a duration, such as 20s or 2m`},
		"no time":          {[]string{"--address", probing, "--timeout", "0s"}, exitUsage, "out of range"},
	} {
		code, stdout, stderr := command(t, append([]string{"healthcheck"}, c.args...)...)
		assert.Equal(t, c.code, code, "%s: %s", name, stderr)
		assert.Contains(t, stdout+stderr, c.says, name)
	}

	// The probes' address answers health and nothing else.
	conn := dial(t, probing, insecure.NewCredentials())
	err := conn.Invoke(t.Context(), "/commonvat.lab.v1.TrialService/ListTrials", &healthpb.HealthCheckRequest{}, &healthpb.HealthCheckResponse{})
	assert.Equal(t, codes.Unimplemented, status.Code(err))
	assert.Equal(t, exitOK, core.stop())
}

// Before the store is open a probe hears NOT_SERVING, and so it does from the moment the core stops.
func TestProbesSayNotServingFirstAndLast(t *testing.T) {
	p, address, err := startProbes(t.Context(), "127.0.0.1:0")
	require.NoError(t, err)
	conn := dial(t, address.String(), insecure.NewCredentials())
	client := healthpb.NewHealthClient(conn)
	says := func(service string) healthpb.HealthCheckResponse_ServingStatus {
		answer, err := client.Check(t.Context(), &healthpb.HealthCheckRequest{Service: service})
		require.NoError(t, err)
		return answer.GetStatus()
	}
	assert.Equal(t, healthpb.HealthCheckResponse_NOT_SERVING, says(""))
	watch, err := client.Watch(t.Context(), &healthpb.HealthCheckRequest{})
	require.NoError(t, err)
	p.serving(p.grpc.GetServiceInfo())
	assert.Equal(t, healthpb.HealthCheckResponse_SERVING, says(""))
	assert.Equal(t, healthpb.HealthCheckResponse_SERVING, says("grpc.health.v1.Health"))
	p.stopping()
	assert.Equal(t, healthpb.HealthCheckResponse_NOT_SERVING, says(""))
	assert.Equal(t, healthpb.HealthCheckResponse_NOT_SERVING, says("grpc.health.v1.Health"))
	p.serving(p.grpc.GetServiceInfo())
	assert.Equal(t, healthpb.HealthCheckResponse_NOT_SERVING, says(""), "it stays so")
	ended := make(chan error, 1)
	go func() { ended <- p.close() }()
	select {
	case err := <-ended:
		require.NoError(t, err)
	case <-time.After(plugintest.Patience):
		t.Fatal("a watching probe keeps the core from ending")
	}
	for err == nil {
		_, err = watch.Recv()
	}
}

// An address that is taken is a fault told at the start, with nothing left behind.
func TestProbesAddressTaken(t *testing.T) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer func() { require.NoError(t, listener.Close()) }()
	code, _, stderr := command(t, "serve", "--data", t.TempDir(), "--listen", "127.0.0.1:0", "--runtime-dir", sockets(t), "--health-listen", listener.Addr().String())
	assert.Equal(t, exitFault, code)
	assert.Contains(t, stderr, "health.listen: "+listener.Addr().String()+" is in use by another program")

	code, _, stderr = command(t, "serve", "--data", t.TempDir(), "--listen", "127.0.0.1:0", "--runtime-dir", sockets(t), "--metrics-listen", listener.Addr().String())
	assert.Equal(t, exitFault, code)
	assert.Contains(t, stderr, "commonvatd: metrics.listen: "+listener.Addr().String()+" is in use by another program")

	// So is the members' own, before any module is begun.
	code, _, stderr = command(t, "serve", "--data", t.TempDir(), "--runtime-dir", sockets(t), "--listen", listener.Addr().String())
	assert.Equal(t, exitFault, code)
	assert.Contains(t, stderr, "commonvatd: listen: "+listener.Addr().String()+" is in use by another program")
	assert.NotContains(t, stderr, "module changed state")
}

// A data folder is mostly given as a relative path: it is the default.
func TestDoctorOfARelativeFolder(t *testing.T) {
	t.Chdir(t.TempDir())
	code, _, stderr := command(t, "member", "add", "stella", "--data", "data", "--token-file", "stella.token")
	require.Equal(t, exitOK, code, stderr)
	code, stdout, _ := command(t, "doctor", "--runtime-dir", sockets(t), "--listen", freeAddress(t))
	assert.Equal(t, exitOK, code, stdout)
	assert.Regexp(t, `store +ok +whole, schema version \d+`, stdout)
}

// The table of package doctor's own tests has every check; here it is the whole command on a real installation.
func TestDoctor(t *testing.T) {
	data := filepath.Join(t.TempDir(), "data")
	code, _, stderr := command(t, "member", "add", "stella", "--data", data, "--token-file", filepath.Join(t.TempDir(), "token"))
	require.Equal(t, exitOK, code, stderr)
	certFile, keyFile, _ := certificate(t)
	runtime := sockets(t)
	examine := func(more ...string) (int, map[string]doctor.Finding) {
		t.Helper()
		code, stdout, stderr := command(t, append([]string{"doctor", "--data", data, "--runtime-dir", runtime, "--output", "json"}, more...)...)
		var list []doctor.Finding
		require.NoError(t, json.Unmarshal([]byte(stdout), &list), stderr)
		findings := map[string]doctor.Finding{}
		for _, f := range list {
			if f.Level != doctor.OK || findings[f.Check].Check == "" {
				findings[f.Check] = f
			}
		}
		return code, findings
	}
	code, found := examine("--listen", freeAddress(t))
	assert.Equal(t, exitOK, code, "what needs attention is no fault")
	assert.Equal(t, doctor.OK, found["store"].Level, found["store"])
	assert.Equal(t, doctor.Attention, found["core"].Level)
	assert.Equal(t, doctor.Attention, found["modules"].Level)

	core := runCore(t, data, "--tls-cert", certFile, "--tls-key", keyFile)
	code, found = examine("--listen", core.address, "--tls-cert", certFile, "--tls-key", keyFile)
	assert.Equal(t, exitOK, code)
	assert.Equal(t, doctor.OK, found["core"].Level, found["core"])
	assert.Equal(t, doctor.OK, found["store"].Level, "also while the core writes: %v", found["store"])
	// Asked where it isn't, and with what can't be.
	code, found = examine("--listen", freeAddress(t), "--stop-grace", "0s")
	assert.Equal(t, exitFault, code)
	assert.Equal(t, doctor.Fault, found["core"].Level, found["core"])
	assert.Contains(t, found["configuration"].Found, "stop_grace")
	require.Equal(t, exitOK, core.stop())

	for name, text := range map[string]string{"no database": "not a database, and long enough to be taken for one by whoever looks at its size alone", "empty": ""} {
		other := filepath.Join(t.TempDir(), "data")
		require.NoError(t, os.Mkdir(other, 0o700))
		require.NoError(t, os.WriteFile(datafolder.Store(other), []byte(text), 0o600))
		code, stdout, _ := command(t, "doctor", "--data", other, "--runtime-dir", runtime)
		assert.Equal(t, exitFault, code, name)
		assert.Regexp(t, `store +fault +can't be read`, stdout, name)
		assert.Contains(t, stdout, "do: keep the folder as it is", name)
	}
	code, _, stderr = command(t, "doctor", "--output", "yaml")
	assert.Equal(t, exitUsage, code)
	assert.Contains(t, stderr, "allowed: table, json")
}
