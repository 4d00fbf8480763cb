package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"

	"github.com/spf13/cobra"

	"github.com/commonvat/commonvat/services/internal/datafolder"
	"github.com/commonvat/commonvat/services/internal/packs"
	"github.com/commonvat/commonvat/services/internal/store/sqlite"
	"github.com/commonvat/commonvat/services/internal/verify"
)

func newVerify() *cobra.Command {
	var data, format string
	cmd := &cobra.Command{
		Use: "verify", Short: "Holds the records against themselves: structure, references, routes, audit trail; the core may be running",
		Long: `Holds the records against themselves: structure, references, routes and everything else that is
derived, and the audit trail. It reads a copy that it makes in the data folder and takes away again,
so the core may be running. Exit code 1 when anything is wrong.`,
		Args: exactly(0),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if !slices.Contains([]string{"table", "json"}, format) {
				return usageError{fmt.Errorf("--output %q is unknown; allowed: table, json", format)}
			}
			if err := hasRecords(data); err != nil {
				return err
			}
			report, err := verifyLive(cmd.Context(), data)
			if err != nil {
				return err
			}
			if err := tellReport(cmd, format, report); err != nil {
				return err
			}
			if n := len(report.Faults); n > 0 {
				return fmt.Errorf("%d faults: keep the data folder as it is, and restore the newest sound backup", n)
			}
			return nil
		},
	}
	cmd.Flags().StringVar(&data, "data", defaultData, "folder of the records")
	cmd.Flags().StringVar(&format, "output", "table", "table or json")
	return cmd
}

func tellReport(cmd *cobra.Command, format string, report verify.Report) error {
	out := cmd.OutOrStdout()
	if format == "json" {
		encoder := json.NewEncoder(out)
		encoder.SetIndent("", "  ")
		return encoder.Encode(report)
	}
	pool := fmt.Sprintf("%d rows, %s", report.PoolRows, report.PoolChecksum)
	if report.PoolChecksum == "" {
		pool = "not made, since there are faults"
	}
	_, err := fmt.Fprintf(out, "schema %d, revision %d\n%d trials, %d baths, %d pieces derived anew\naudit trail up to %d, %s\npool: %s\n",
		report.Schema, report.Revision, report.Trials, report.Baths, report.Pieces, report.AuditSequence, report.AuditChain, pool)
	for _, fault := range report.Faults {
		_, faultErr := fmt.Fprintln(out, "fault: "+fault)
		err = errors.Join(err, faultErr)
	}
	if len(report.Faults) == 0 {
		_, soundErr := fmt.Fprintln(out, "sound")
		err = errors.Join(err, soundErr)
	}
	return err
}

// verifyLive checks the structure of the file in use, and everything else on a copy of one moment of it.
func verifyLive(ctx context.Context, data string) (_ verify.Report, err error) {
	live, err := sqlite.OpenReadOnly(ctx, datafolder.Store(data))
	if err != nil {
		return verify.Report{}, err
	}
	defer func() { err = errors.Join(err, live.Close()) }()
	structure := live.IntegrityCheck(ctx)
	if err := ctx.Err(); err != nil {
		return verify.Report{}, err
	}
	folder, err := os.MkdirTemp(data, ".verify-")
	if err != nil {
		return verify.Report{}, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(folder)) }()
	copied := filepath.Join(folder, datafolder.StoreFile)
	if err := live.BackupInto(ctx, copied); err != nil {
		return verify.Report{}, errors.Join(structure, fmt.Errorf("copy the store: %w", err))
	}
	report, err := verifyFile(ctx, copied, datafolder.Packs(data))
	if structure != nil {
		report.Fault(fmt.Errorf("structure of the file in use: %w", structure))
	}
	return report, err
}

// verifyFile checks a store that nobody writes to, and the content of its packs in their folder.
func verifyFile(ctx context.Context, path, packsFolder string) (_ verify.Report, err error) {
	opened, err := sqlite.OpenReadOnly(ctx, path)
	if err != nil {
		return verify.Report{}, err
	}
	defer func() { err = errors.Join(err, opened.Close()) }()
	report, err := verify.Run(ctx, opened)
	if err != nil {
		return report, err
	}
	rows, err := opened.Packs(ctx)
	if err != nil {
		return report, err
	}
	for _, fault := range packs.OpenFolder(packsFolder).Faults(rows) {
		report.Fault(fault)
	}
	return report, nil
}
