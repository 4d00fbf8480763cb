package main

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"os"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"
)

// probes answers health and nothing else, plain and on loopback, for those who can't speak TLS with a client's certificate. It
// is there before the store is open, and says NOT_SERVING until all is served and again from the moment the core stops.
type probes struct {
	health *health.Server
	grpc   *grpc.Server
	ended  chan error
}

// startProbes listens; the address may have port 0.
func startProbes(ctx context.Context, address string) (*probes, net.Addr, error) {
	listener, err := (&net.ListenConfig{}).Listen(ctx, "tcp", address)
	if err != nil {
		return nil, nil, err
	}
	p := &probes{health: health.NewServer(), grpc: grpc.NewServer(grpc.ConnectionTimeout(5 * time.Second)), ended: make(chan error, 1)}
	p.health.SetServingStatus("", healthpb.HealthCheckResponse_NOT_SERVING)
	healthpb.RegisterHealthServer(p.grpc, p.health)
	go func() { p.ended <- p.grpc.Serve(listener) }()
	return p, listener.Addr(), nil
}

// serving says that everything is served, each service by its name.
func (p *probes) serving(services map[string]grpc.ServiceInfo) {
	for name := range services {
		p.health.SetServingStatus(name, healthpb.HealthCheckResponse_SERVING)
	}
	p.health.SetServingStatus("", healthpb.HealthCheckResponse_SERVING)
}

// stopping says NOT_SERVING for all, for good.
func (p *probes) stopping() { p.health.Shutdown() }

// close ends it. Watching probes are cut, since they would never end by themselves.
func (p *probes) close() error {
	p.grpc.Stop()
	return <-p.ended
}

func newHealthcheck() *cobra.Command {
	var address, ca, name, service string
	var timeout time.Duration
	cmd := &cobra.Command{
		Use:   "healthcheck",
		Short: "Asks a running core whether it serves; for places without a shell",
		Long: `Asks a running core whether it serves (grpc.health.v1). Ends with 0 when it does, with 1 when it doesn't or can't be
reached, with 2 when it was asked wrongly. Without --address it asks where the configuration says that the core
answers probes: health.listen, or else listen.`,
		Args: exactly(0),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if timeout <= 0 || timeout > time.Minute {
				return usageError{fmt.Errorf("--timeout %v is out of range; allowed: above 0s, at most 1m", timeout)}
			}
			withTLS := ca != ""
			if address == "" {
				resolved, err := resolve(cmd)
				if err != nil {
					return err
				}
				address, withTLS = resolved.Config.HealthAddress()
			}
			if _, port, err := net.SplitHostPort(address); err != nil || port == "" {
				return usageError{fmt.Errorf("--address: %q is malformed; allowed: host:port", address)}
			}
			creds, err := probeCredentials(withTLS, ca, name)
			if err != nil {
				return usageError{err}
			}
			ctx, cancel := context.WithTimeout(cmd.Context(), timeout)
			defer cancel()
			state, err := askHealth(ctx, address, service, creds)
			if err != nil {
				return err
			}
			if _, err := fmt.Fprintln(cmd.OutOrStdout(), state); err != nil {
				return err
			}
			if state != healthpb.HealthCheckResponse_SERVING {
				return fmt.Errorf("%s answers, and says %s", address, state)
			}
			return nil
		},
	}
	configFlags(cmd)
	flags := cmd.Flags()
	flags.StringVar(&address, "address", "", "host:port to ask (default: as configured)")
	flags.StringVar(&ca, "tls-ca", "", "authority of the core's certificate in PEM; asks over TLS (default with TLS: the system's)")
	flags.StringVar(&name, "tls-name", "", "name that the certificate must have (default: the host of the address)")
	flags.StringVar(&service, "service", "", "service to ask about, such as commonvat.lab.v1.TrialService (default: all)")
	flags.DurationVar(&timeout, "timeout", 3*time.Second, "how long to wait, at most 1m")
	return cmd
}

func probeCredentials(withTLS bool, ca, name string) (credentials.TransportCredentials, error) {
	if !withTLS {
		if name != "" {
			return nil, errors.New("--tls-name goes with --tls-ca, or with a core that has a certificate")
		}
		return insecure.NewCredentials(), nil
	}
	settings := &tls.Config{MinVersion: tls.VersionTLS13, ServerName: name}
	if ca != "" {
		data, err := os.ReadFile(ca)
		if err != nil {
			return nil, fmt.Errorf("--tls-ca: %w", err)
		}
		settings.RootCAs = x509.NewCertPool()
		if !settings.RootCAs.AppendCertsFromPEM(data) {
			return nil, fmt.Errorf("--tls-ca %q holds no certificate; allowed: certificates in PEM", ca)
		}
	}
	return credentials.NewTLS(settings), nil
}

func askHealth(ctx context.Context, address, service string, creds credentials.TransportCredentials) (healthpb.HealthCheckResponse_ServingStatus, error) {
	conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(creds))
	if err != nil {
		return 0, fmt.Errorf("%s: %w", address, err)
	}
	answer, err := healthpb.NewHealthClient(conn).Check(ctx, &healthpb.HealthCheckRequest{Service: service})
	if closeErr := conn.Close(); err == nil {
		err = closeErr
	}
	if err != nil {
		return 0, fmt.Errorf("%s doesn't answer: %s", address, status.Convert(err).Message())
	}
	return answer.GetStatus(), nil
}
