// Package certs has the TLS of the core: version 1.3 alone, with certificates that are read again when their files
// change, so that a renewal needs no restart.
package certs

import (
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"sync"
	"time"
)

// LookAgain is how long files that were looked at are taken to be unchanged.
const LookAgain = time.Second

// Files says where the certificates are, in PEM.
type Files struct {
	// Cert is the core's chain, its own certificate first, and Key the private key to it. Both are required.
	Cert, Key string
	// ClientCA may be empty. A client that shows a certificate must have one that descends from these, for the use
	// of a client; its token is asked for all the same.
	ClientCA string
	// RequireClient refuses clients without a certificate. It needs ClientCA.
	RequireClient bool
}

// Errors of Open.
var (
	errPair    = errors.New("a certificate and its key go together; one of them is missing")
	errRequire = errors.New("client certificates can be required only with the certificates that they must descend from")
)

// source has the newest good configuration.
type source struct {
	files Files
	log   *slog.Logger
	now   func() time.Time

	mu      sync.Mutex
	looked  time.Time
	raw     [3][]byte // what current was made of: chain, key, client CA
	failed  string    // the last fault that was logged
	current *tls.Config
}

// Open reads the files and gives a configuration for a server, which looks at them again at a handshake, at most once a second.
// Files that can't be used then leave the last good ones in use, with a word in the log. now may be nil, for the wall clock.
func Open(files Files, log *slog.Logger, now func() time.Time) (*tls.Config, error) {
	switch {
	case files.Cert == "" || files.Key == "":
		return nil, errPair
	case files.RequireClient && files.ClientCA == "":
		return nil, errRequire
	}
	if now == nil {
		now = time.Now
	}
	s := &source{files: files, log: log, now: now, looked: now()}
	if err := s.read(); err != nil {
		return nil, err
	}
	return &tls.Config{
		MinVersion: tls.VersionTLS13, // said here too, for whoever looks at the configuration
		GetConfigForClient: func(*tls.ClientHelloInfo) (*tls.Config, error) {
			return s.newest(), nil
		},
	}, nil
}

func (s *source) newest() *tls.Config {
	s.mu.Lock()
	defer s.mu.Unlock()
	if now := s.now(); now.Sub(s.looked) >= LookAgain || now.Before(s.looked) {
		s.looked = now
		err := s.read()
		switch {
		case err == nil:
			s.failed = ""
		case err.Error() != s.failed: // once, not at every handshake
			s.failed = err.Error()
			s.log.Warn("certificates were not renewed; those read before stay in use", "error", s.failed)
		}
	}
	return s.current
}

// read makes a configuration of the files, if they have changed.
func (s *source) read() error {
	var raw [3][]byte
	for i, file := range []string{s.files.Cert, s.files.Key, s.files.ClientCA} {
		if file == "" {
			continue
		}
		var err error
		if raw[i], err = os.ReadFile(file); err != nil {
			return fmt.Errorf("read certificates: %w", err)
		}
	}
	if s.current != nil && bytes.Equal(raw[0], s.raw[0]) && bytes.Equal(raw[1], s.raw[1]) && bytes.Equal(raw[2], s.raw[2]) {
		return nil
	}
	pair, err := tls.X509KeyPair(raw[0], raw[1])
	if err != nil {
		return fmt.Errorf("certificate %s with key %s: %w", s.files.Cert, s.files.Key, err)
	}
	config := &tls.Config{
		MinVersion: tls.VersionTLS13, Certificates: []tls.Certificate{pair},
		NextProtos: []string{"h2"},
		// Connections are few and long. A resumed one would pass by what has changed since.
		SessionTicketsDisabled: true,
	}
	if s.files.ClientCA != "" {
		config.ClientAuth = tls.VerifyClientCertIfGiven
		if s.files.RequireClient {
			config.ClientAuth = tls.RequireAndVerifyClientCert
		}
		config.ClientCAs = x509.NewCertPool()
		if !config.ClientCAs.AppendCertsFromPEM(raw[2]) {
			return fmt.Errorf("%s has no certificates in PEM form", s.files.ClientCA)
		}
	}
	if s.current != nil {
		s.log.Info("certificates were read again", "not_after", pair.Leaf.NotAfter.UTC().Format(time.RFC3339))
	}
	s.raw, s.current = raw, config
	return nil
}
