package certs_test

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"log/slog"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/api/certs"
)

// authority signs certificates of the invented cooperative of these tests.
type authority struct {
	t    *testing.T
	key  *ecdsa.PrivateKey
	cert *x509.Certificate
}

func newAuthority(t *testing.T) authority {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "authority"}, NotBefore: time.Now().Add(-time.Hour),
		NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	require.NoError(t, err)
	cert, err := x509.ParseCertificate(der)
	require.NoError(t, err)
	return authority{t, key, cert}
}

func (a authority) pool() *x509.CertPool {
	pool := x509.NewCertPool()
	pool.AddCert(a.cert)
	return pool
}

func (a authority) pem() []byte {
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: a.cert.Raw})
}

// issue makes a pair for a use until a time, in PEM.
func (a authority) issue(serial int64, use x509.ExtKeyUsage, until time.Time) (certPEM, keyPEM []byte) {
	a.t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(a.t, err)
	template := &x509.Certificate{SerialNumber: big.NewInt(serial), NotBefore: time.Now().Add(-2 * time.Hour), NotAfter: until,
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{use}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}}
	der, err := x509.CreateCertificate(rand.Reader, template, a.cert, &key.PublicKey, a.key)
	require.NoError(a.t, err)
	keyDER, err := x509.MarshalPKCS8PrivateKey(key)
	require.NoError(a.t, err)
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: keyDER})
}

func (a authority) client(serial int64, use x509.ExtKeyUsage, until time.Time) tls.Certificate {
	a.t.Helper()
	pair, err := tls.X509KeyPair(a.issue(serial, use, until))
	require.NoError(a.t, err)
	return pair
}

// handshake speaks TLS with a server and tells the serial number of its certificate.
func handshake(t *testing.T, server, client *tls.Config) (serial int64, err error) {
	t.Helper()
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	require.NoError(t, err)
	done := make(chan error, 1)
	go func() {
		defer listener.Close() //nolint:errcheck // the test is over
		conn, err := listener.Accept()
		if err != nil {
			done <- err
			return
		}
		defer conn.Close() //nolint:errcheck // as above
		_ = conn.SetDeadline(time.Now().Add(time.Minute))
		done <- tls.Server(conn, server).Handshake()
	}()
	client.ServerName, client.NextProtos = "127.0.0.1", []string{"h2"}
	conn, err := (&tls.Dialer{Config: client}).DialContext(context.Background(), "tcp", listener.Addr().String())
	served := <-done // a client learns only later that its certificate was refused
	if err != nil {
		return 0, err
	}
	defer conn.Close() //nolint:errcheck // as above
	if served != nil {
		return 0, served
	}
	state := conn.(*tls.Conn).ConnectionState()
	assert.EqualValues(t, tls.VersionTLS13, state.Version)
	assert.Equal(t, "h2", state.NegotiatedProtocol)
	return state.PeerCertificates[0].SerialNumber.Int64(), nil
}

func put(t *testing.T, path string, data []byte) string {
	t.Helper()
	require.NoError(t, os.WriteFile(path, data, 0o600))
	return path
}

func soon() time.Time { return time.Now().Add(time.Hour) }

// A renewal takes effect at the next handshake after a second; half of one, or rubbish, leaves the last good pair in use.
func TestRenewalNeedsNoRestart(t *testing.T) {
	ours, dir, at := newAuthority(t), t.TempDir(), time.Now()
	certPEM, keyPEM := ours.issue(7, x509.ExtKeyUsageServerAuth, soon())
	files := certs.Files{Cert: put(t, filepath.Join(dir, "cert.pem"), certPEM), Key: put(t, filepath.Join(dir, "key.pem"), keyPEM)}
	var log bytes.Buffer
	config, err := certs.Open(files, slog.New(slog.NewTextHandler(&log, nil)), func() time.Time { return at })
	require.NoError(t, err)
	serial := func() int64 {
		got, err := handshake(t, config, &tls.Config{RootCAs: ours.pool(), MinVersion: tls.VersionTLS13})
		require.NoError(t, err)
		return got
	}
	assert.EqualValues(t, 7, serial())
	nextCert, nextKey := ours.issue(8, x509.ExtKeyUsageServerAuth, soon())
	put(t, files.Cert, nextCert)
	at = at.Add(certs.LookAgain / 2)
	assert.EqualValues(t, 7, serial(), "not looked at yet")
	for range 3 {
		at = at.Add(certs.LookAgain)
		assert.EqualValues(t, 7, serial(), "the new certificate with the old key is no pair")
	}
	assert.Equal(t, 1, strings.Count(log.String(), "were not renewed"), "said once: %s", log.String())
	put(t, files.Key, nextKey)
	at = at.Add(certs.LookAgain)
	assert.EqualValues(t, 8, serial())
	assert.Contains(t, log.String(), "were read again")
	put(t, files.Cert, []byte("rubbish"))
	at = at.Add(certs.LookAgain)
	assert.EqualValues(t, 8, serial())
	require.NoError(t, os.Remove(files.Key))
	at = at.Add(certs.LookAgain)
	assert.EqualValues(t, 8, serial())
	assert.NotContains(t, log.String(), "PRIVATE KEY")
}

func TestClientCertificates(t *testing.T) {
	ours, strangers, dir := newAuthority(t), newAuthority(t), t.TempDir()
	certPEM, keyPEM := ours.issue(7, x509.ExtKeyUsageServerAuth, soon())
	files := certs.Files{Cert: put(t, filepath.Join(dir, "cert.pem"), certPEM), Key: put(t, filepath.Join(dir, "key.pem"), keyPEM),
		ClientCA: put(t, filepath.Join(dir, "clients.pem"), ours.pem())}
	for _, required := range []bool{false, true} {
		files.RequireClient, files.ClientCA = required, put(t, files.ClientCA, ours.pem())
		at := time.Now()
		config, err := certs.Open(files, slog.New(slog.DiscardHandler), func() time.Time { return at })
		require.NoError(t, err)
		with := func(shown ...tls.Certificate) error {
			client := &tls.Config{RootCAs: ours.pool(), MinVersion: tls.VersionTLS13}
			if len(shown) > 0 { // shown whatever the server asks for
				client.GetClientCertificate = func(*tls.CertificateRequestInfo) (*tls.Certificate, error) { return &shown[0], nil }
			}
			_, err := handshake(t, config, client)
			return err
		}
		good := ours.client(20, x509.ExtKeyUsageClientAuth, soon())
		require.NoError(t, with(good))
		require.Error(t, with(strangers.client(21, x509.ExtKeyUsageClientAuth, soon())), "of a stranger")
		require.Error(t, with(ours.client(22, x509.ExtKeyUsageServerAuth, soon())), "for the use of a server")
		require.Error(t, with(ours.client(23, x509.ExtKeyUsageClientAuth, time.Now().Add(-time.Hour))), "ended")
		if required {
			require.Error(t, with(), "none")
		} else {
			require.NoError(t, with(), "none")
		}
		// Who signs for clients can be changed while the core runs.
		put(t, files.ClientCA, strangers.pem())
		at = at.Add(certs.LookAgain)
		require.Error(t, with(good))
	}
}

func TestOldVersionsAreRefused(t *testing.T) {
	ours, dir := newAuthority(t), t.TempDir()
	certPEM, keyPEM := ours.issue(7, x509.ExtKeyUsageServerAuth, soon())
	config, err := certs.Open(certs.Files{Cert: put(t, filepath.Join(dir, "cert.pem"), certPEM), Key: put(t, filepath.Join(dir, "key.pem"), keyPEM)},
		slog.New(slog.DiscardHandler), nil)
	require.NoError(t, err)
	_, err = handshake(t, config, &tls.Config{RootCAs: ours.pool(), MinVersion: tls.VersionTLS10, MaxVersion: tls.VersionTLS12})
	require.ErrorContains(t, err, "protocol version")
}

func TestOpenRefuses(t *testing.T) {
	ours, dir := newAuthority(t), t.TempDir()
	certPEM, keyPEM := ours.issue(7, x509.ExtKeyUsageServerAuth, soon())
	_, otherKey := ours.issue(8, x509.ExtKeyUsageServerAuth, soon())
	cert, key := put(t, filepath.Join(dir, "cert.pem"), certPEM), put(t, filepath.Join(dir, "key.pem"), keyPEM)
	other, empty := put(t, filepath.Join(dir, "other.pem"), otherKey), put(t, filepath.Join(dir, "empty.pem"), nil)
	for says, files := range map[string]certs.Files{
		"one of them is missing": {Cert: cert},
		"go together":            {Key: key},
		"no such file":           {Cert: cert + "x", Key: key},
		"private key does not":   {Cert: cert, Key: other},
		"no certificates in PEM": {Cert: cert, Key: key, ClientCA: empty},
		"must descend from":      {Cert: cert, Key: key, RequireClient: true},
		"failed to find any PEM": {Cert: empty, Key: key},
	} {
		_, err := certs.Open(files, slog.New(slog.DiscardHandler), nil)
		assert.ErrorContains(t, err, says)
	}
}
