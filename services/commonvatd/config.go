package main

import (
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"github.com/commonvat/commonvat/services/internal/api/certs"
	"github.com/commonvat/commonvat/services/internal/api/limits"
	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/config"
)

const defaultData = "data"

// configFlags gives a command the flags of the configuration.
func configFlags(cmd *cobra.Command) {
	cmd.Flags().String("config", "", "configuration file in YAML (default: what "+config.FileVariable+" names, or none)")
	for _, flag := range config.Flags("") {
		cmd.Flags().String(flag.Name, flag.Default, flag.Usage)
		if flag.Default == "true" || flag.Default == "false" {
			cmd.Flags().Lookup(flag.Name).NoOptDefVal = "true"
		}
	}
}

// resolve reads the configuration of a command that has configFlags. Its error is a fault of usage, or nil.
func resolve(cmd *cobra.Command) (*config.Resolved, error) {
	in := config.Input{Flags: map[string]string{}, Environ: os.Environ(), RuntimeDir: catalog.DefaultRuntimeDir()}
	var err error
	if in.File, err = cmd.Flags().GetString("config"); err != nil {
		return nil, err
	}
	for _, flag := range config.Flags("") {
		if !cmd.Flags().Changed(flag.Name) {
			continue
		}
		if in.Flags[flag.Name], err = cmd.Flags().GetString(flag.Name); err != nil {
			return nil, err
		}
	}
	resolved, err := config.Load(in)
	if err != nil {
		return resolved, usageError{err}
	}
	return resolved, nil
}

// serverTLS reads the certificates; nil when there are none.
func serverTLS(c *config.Config, log *slog.Logger) (*tls.Config, error) {
	if !c.WithTLS() {
		return nil, nil //nolint:nilnil // plaintext is no fault
	}
	return certs.Open(certs.Files{Cert: c.TLS.Cert, Key: c.TLS.Key, ClientCA: c.TLS.ClientCA, RequireClient: c.TLS.RequireClientCert}, log, nil)
}

// memberLimits are the configured ones by the interface's classes.
func memberLimits(c *config.Config) limits.Config {
	rates := map[limits.Class]limits.Rate{}
	for class := limits.Read; class <= limits.Steward; class++ {
		limit := c.Limits[class.String()]
		rates[class] = limits.Rate{PerSecond: limit.Rate, Burst: limit.Burst}
	}
	return limits.Config{Rates: rates}
}

func newConfig() *cobra.Command {
	cmd := &cobra.Command{Use: "config", Short: "Checks and shows the configuration that serve would run by"}
	group(cmd)
	check := &cobra.Command{
		Use: "check", Short: "Tells every fault of the configuration, and starts nothing", Args: exactly(0),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if _, err := resolve(cmd); err != nil {
				return err
			}
			_, err := fmt.Fprintln(cmd.OutOrStdout(), "configuration is whole")
			return err
		},
	}
	var form string
	show := &cobra.Command{
		Use: "show", Short: "Shows every value and where it came from, faults too", Args: exactly(0),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if form != "table" && form != "json" {
				return usageError{fmt.Errorf("--output %q is unknown; allowed: table, json", form)}
			}
			resolved, fault := resolve(cmd)
			if resolved == nil {
				return fault
			}
			if form == "json" {
				encoder := json.NewEncoder(cmd.OutOrStdout())
				encoder.SetIndent("", "  ")
				return errors.Join(fault, encoder.Encode(resolved.Values))
			}
			table := tabwriter.NewWriter(cmd.OutOrStdout(), 0, 4, 2, ' ', 0)
			_, _ = fmt.Fprintln(table, "KEY\tVALUE\tFROM")
			for _, value := range resolved.Values {
				_, _ = fmt.Fprintf(table, "%s\t%q\t%s\n", value.Key, value.Value, value.Source)
			}
			if err := table.Flush(); err != nil {
				return err
			}
			return fault
		},
	}
	show.Flags().StringVar(&form, "output", "table", "table or json")
	configFlags(check)
	configFlags(show)
	cmd.AddCommand(check, show)
	return cmd
}
