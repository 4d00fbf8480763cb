package e2e_test

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// pair writes a certificate of a signer (nil: of itself, and a signer of others) and its key.
func pair(t *testing.T, folder, name string, signer *x509.Certificate, signerKey *ecdsa.PrivateKey) (*x509.Certificate, *ecdsa.PrivateKey) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{SerialNumber: big.NewInt(time.Now().UnixNano()), Subject: pkix.Name{CommonName: name}, NotBefore: time.Now().Add(-time.Hour),
		NotAfter: time.Now().Add(time.Hour), KeyUsage: x509.KeyUsageDigitalSignature, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth}}
	if signer == nil {
		template.IsCA, template.BasicConstraintsValid, template.KeyUsage = true, true, x509.KeyUsageCertSign
		template.ExtKeyUsage = nil
		signer, signerKey = template, key
	}
	der, err := x509.CreateCertificate(rand.Reader, template, signer, &key.PublicKey, signerKey)
	require.NoError(t, err)
	keyDER, err := x509.MarshalPKCS8PrivateKey(key)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(folder, name+".pem"), pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(folder, name+".key"), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: keyDER}), 0o600))
	cert, err := x509.ParseCertificate(der)
	require.NoError(t, err)
	return cert, key
}

// A core that asks for client certificates takes members who show one and their token, and nobody else; what sign-in was told is kept.
func TestClientCertificatesOverTheCommandLine(t *testing.T) {
	l, folder := newLab(t, "ash"), t.TempDir()
	ca, caKey := pair(t, folder, "ca", nil, nil)
	pair(t, folder, "core", ca, caKey)
	pair(t, folder, "ash", ca, caKey)
	pair(t, folder, "stranger", nil, nil)
	in := func(name string) string { return filepath.Join(folder, name) }
	l.flags = []string{"--tls-cert", in("core.pem"), "--tls-key", in("core.key"), "--tls-client-ca", in("ca.pem"), "--tls-require-client-cert"}
	l.start()
	settings := in("settings.json")
	signIn := func(more ...string) answer {
		return l.client("ash", append([]string{"sign-in", "--config", settings, "--server", l.address, "--token-file", l.tokens["ash"],
			"--tls-ca", in("ca.pem"), "--timeout", "5s"}, more...)...)
	}
	assert.Equal(t, exitUnavailable, signIn().code, "without a certificate")
	assert.Equal(t, exitUnavailable, signIn("--tls-cert", in("stranger.pem"), "--tls-key", in("stranger.key")).code)
	assert.Equal(t, exitUsage, signIn("--tls-cert", in("ash.pem")).code)
	require.NoError(t, os.Chmod(in("ash.key"), 0o644))
	assert.Contains(t, signIn("--tls-cert", in("ash.pem"), "--tls-key", in("ash.key")).errors, "chmod 600")
	require.NoError(t, os.Chmod(in("ash.key"), 0o600))
	a := signIn("--tls-cert", in("ash.pem"), "--tls-key", in("ash.key"))
	require.Zero(t, a.code, a.errors)
	assert.Contains(t, l.does("ash", "whoami", "--config", settings), "ash", "the settings have it all")
	// A new pair comes into use without a restart.
	pair(t, folder, "core", ca, caKey)
	l.eventually(soonWithin, "the core reads its certificates again", func() bool { // the files are looked at once a second
		l.does("ash", "whoami", "--config", settings)
		return strings.Contains(l.log(), "certificates were read again")
	})
	l.stop()
	l.hasNoTokenInLog()
}

// Beyond loopback there is no plaintext, whatever the address is called: the core refuses to start.
func TestNoPlaintextBeyondLoopback(t *testing.T) {
	for _, address := range []string{"0.0.0.0:0", "[::]:0", ":0", "192.0.2.1:7730", "[::ffff:0.0.0.0]:0", "unix:/tmp/commonvat.sock", "unix:@commonvat:0", "host.invalid:7730"} {
		ctx, cancel := context.WithTimeout(t.Context(), callWithin)
		cmd := exec.CommandContext(ctx, program("commonvatd"), "serve", "--data", t.TempDir(), "--listen", address)
		cmd.Env = environment()
		out, err := cmd.CombinedOutput()
		cancel()
		require.Error(t, err, address)
		assert.Equal(t, exitUsage, cmd.ProcessState.ExitCode(), "%s: %s", address, out)
		assert.Contains(t, string(out), "--listen", address)
	}
}
