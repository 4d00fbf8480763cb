package main

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"os"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	"github.com/commonvat/commonvat/services/internal/config"
	"github.com/commonvat/commonvat/services/internal/doctor"
	"github.com/commonvat/commonvat/services/internal/store/sqlite"
)

func newDoctor() *cobra.Command {
	var form string
	cmd := &cobra.Command{
		Use:   "doctor",
		Short: "Examines an installation, and says what to do",
		Long: `Examines an installation, running or not, and says of each check what was found and what to do. It changes nothing. Run it
as the core's user, with the configuration that the core has. Ends with 0 when there is no fault, and with 1 when there
is one; what only needs attention is no fault.`,
		Args: exactly(0),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if form != "table" && form != "json" {
				return usageError{fmt.Errorf("--output %q is unknown; allowed: table, json", form)}
			}
			resolved, fault := resolve(cmd)
			if resolved == nil {
				return fault
			}
			installation := doctor.Installation{
				Config: resolved.Config, ConfigFile: resolved.File,
				ReadStore: examineStore, AskHealth: askConfigured, System: doctor.ThisSystem(), Now: time.Now,
			}
			var faults config.Faults
			if errors.As(fault, &faults) {
				installation.ConfigFault = faults
			}
			findings := doctor.Examine(cmd.Context(), installation)
			if err := writeFindings(cmd, form, findings); err != nil {
				return err
			}
			if doctor.Faulty(findings) {
				return errors.New("there are faults")
			}
			return nil
		},
	}
	configFlags(cmd)
	cmd.Flags().StringVar(&form, "output", "table", "table or json")
	return cmd
}

// examineStore adds to what the file is at what this program would bring it to.
func examineStore(ctx context.Context, path string) (doctor.StoreState, error) {
	found, err := sqlite.Examine(ctx, path)
	return doctor.StoreState{Schema: found.Schema, Known: sqlite.SchemaVersion, Packs: found.Packs, Retired: found.Retired}, err
}

func writeFindings(cmd *cobra.Command, form string, findings []doctor.Finding) error {
	if form == "json" {
		encoder := json.NewEncoder(cmd.OutOrStdout())
		encoder.SetEscapeHTML(false)
		encoder.SetIndent("", "  ")
		return encoder.Encode(findings)
	}
	table := tabwriter.NewWriter(cmd.OutOrStdout(), 0, 4, 2, ' ', 0)
	_, _ = fmt.Fprintln(table, "CHECK\tIS\tFOUND")
	for _, f := range findings {
		_, _ = fmt.Fprintf(table, "%s\t%s\t%s\n", f.Check, f.Level, f.Found)
		if f.Do != "" {
			_, _ = fmt.Fprintf(table, "\t\t  do: %s\n", f.Do)
		}
	}
	return table.Flush()
}

// askConfigured asks the core of this installation. Over TLS it believes the configured certificate alone, by the first name in it.
func askConfigured(ctx context.Context, address, certificate string) (bool, error) {
	creds := insecure.NewCredentials()
	if certificate != "" {
		data, err := os.ReadFile(certificate)
		if err != nil {
			return false, err
		}
		block, _ := pem.Decode(data)
		if block == nil {
			return false, fmt.Errorf("%s holds no certificate", certificate)
		}
		leaf, err := x509.ParseCertificate(block.Bytes)
		if err != nil {
			return false, err
		}
		settings := &tls.Config{MinVersion: tls.VersionTLS13, RootCAs: x509.NewCertPool()}
		settings.RootCAs.AddCert(leaf)
		switch {
		case len(leaf.DNSNames) > 0:
			settings.ServerName = leaf.DNSNames[0]
		case len(leaf.IPAddresses) > 0:
			settings.ServerName = leaf.IPAddresses[0].String()
		}
		creds = credentials.NewTLS(settings)
	}
	state, err := askHealth(ctx, address, "", creds)
	return state == healthpb.HealthCheckResponse_SERVING, err
}
