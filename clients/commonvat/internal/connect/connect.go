// Package connect opens the connection to the core. A token goes unencrypted only
// to an address of this machine; to any other it goes by TLS.
package connect

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"os"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"

	"github.com/commonvat/commonvat/clients/commonvat/internal/settings"
)

// Options says where the core is and who calls.
type Options struct {
	Server string // host:port
	Token  string // may be empty
	// CAFile holds the certificates that the server's own must descend from; empty means the system's.
	// With it, TLS is used on loopback too.
	CAFile string
	// CertFile and KeyFile are what this client shows of itself, when the server asks; both or neither. With them, TLS is
	// used on loopback too. Others may not be able to read the key.
	CertFile, KeyFile string
	// More is handed to the connection as it is.
	More []grpc.DialOption
}

// MaxAnswer is the largest answer that is taken, in bytes.
const MaxAnswer = 16 << 20

// Dial prepares a connection; nothing is sent before the first call. The caller closes it.
func Dial(o Options) (*grpc.ClientConn, error) {
	host, port, err := net.SplitHostPort(o.Server)
	if err != nil || host == "" || port == "" {
		return nil, fmt.Errorf("server address %q must be HOST:PORT, for example localhost:7730", o.Server)
	}
	options := []grpc.DialOption{
		grpc.WithChainUnaryInterceptor(comeAgain), grpc.WithDefaultServiceConfig(retries()), grpc.WithDisableServiceConfig(),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(MaxAnswer)),
	}
	options = append(options, o.More...)
	target, plain := "dns:///"+o.Server, Loopback(host) && o.CAFile == "" && o.CertFile == "" && o.KeyFile == ""
	if plain {
		target = "passthrough:///" + o.Server
		options = append(options, grpc.WithTransportCredentials(insecure.NewCredentials()), grpc.WithContextDialer(dialLoopback))
	} else {
		config, err := tlsConfig(o, host)
		if err != nil {
			return nil, err
		}
		options = append(options, grpc.WithTransportCredentials(credentials.NewTLS(config)))
	}
	if o.Token != "" {
		options = append(options, grpc.WithPerRPCCredentials(bearer{token: o.Token, tls: !plain}))
	}
	return grpc.NewClient(target, options...)
}

func tlsConfig(o Options, host string) (*tls.Config, error) {
	config := &tls.Config{MinVersion: tls.VersionTLS13, ServerName: host}
	if o.CAFile != "" {
		pem, err := os.ReadFile(o.CAFile)
		if err != nil {
			return nil, fmt.Errorf("read the certificates: %w", err)
		}
		config.RootCAs = x509.NewCertPool()
		if !config.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("%s has no certificates in PEM form", o.CAFile)
		}
	}
	if o.CertFile == "" && o.KeyFile == "" {
		return config, nil
	}
	if o.CertFile == "" || o.KeyFile == "" {
		return nil, errors.New("a certificate and its key go together; one of them is missing")
	}
	cert, err := os.ReadFile(o.CertFile)
	if err != nil {
		return nil, fmt.Errorf("read the certificate: %w", err)
	}
	key, err := settings.ReadPrivate(o.KeyFile)
	if err != nil {
		return nil, fmt.Errorf("read the key: %w", err)
	}
	pair, err := tls.X509KeyPair(cert, key)
	if err != nil {
		return nil, fmt.Errorf("certificate %s with key %s: %w", o.CertFile, o.KeyFile, err)
	}
	config.Certificates = []tls.Certificate{pair}
	return config, nil
}

// Loopback tells whether a host is this machine by its name or number.
func Loopback(host string) bool {
	if strings.EqualFold(host, "localhost") {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

// dialLoopback connects and then makes sure that the other end is this machine, whatever the name resolved to.
func dialLoopback(ctx context.Context, address string) (net.Conn, error) {
	c, err := (&net.Dialer{}).DialContext(ctx, "tcp", address)
	if err != nil {
		return nil, err
	}
	if tcp, ok := c.RemoteAddr().(*net.TCPAddr); !ok || !tcp.IP.IsLoopback() {
		return nil, errors.Join(fmt.Errorf("%s is not an address of this machine", address), c.Close())
	}
	return c, nil
}

type bearer struct {
	token string
	tls   bool
}

func (b bearer) GetRequestMetadata(context.Context, ...string) (map[string]string, error) {
	return map[string]string{"authorization": "Bearer " + b.token}, nil
}

func (b bearer) RequireTransportSecurity() bool { return b.tls }
