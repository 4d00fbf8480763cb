package main

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"github.com/commonvat/commonvat/services/internal/backup"
	"github.com/commonvat/commonvat/services/internal/datafolder"
	"github.com/commonvat/commonvat/services/internal/store/sqlite"
)

func newBackup() *cobra.Command {
	cmd := &cobra.Command{
		Use: "backup", Short: "Backs up a data folder while the core runs, checks a backup, and makes a new data folder of one",
		Long: `Backs up a data folder while the core runs, checks a backup, and makes a new data folder of one.

A backup is a folder with the records, the installed modules, the rule packs, and a manifest with the checksum of
every file. Nothing is ever written over: each command that writes wants a path that isn't there.`,
	}
	group(cmd)
	cmd.AddCommand(newBackupCreate(), newBackupVerify(), newBackupRestore())
	return cmd
}

// backupTools are what package backup needs of the rest.
func backupTools() backup.Tools {
	return backup.Tools{
		Open: func(ctx context.Context, path string) (backup.Store, error) {
			opened, err := sqlite.OpenReadOnly(ctx, path)
			if err != nil {
				return nil, err
			}
			return backupStore{opened}, nil
		},
		Check:   checkStore,
		Version: version(),
		Now:     time.Now,
	}
}

// backupStore is a store open for reading, as package backup wants it.
type backupStore struct{ *sqlite.Reader }

// State implements backup.Store.
func (s backupStore) State(ctx context.Context) (backup.State, error) {
	schema, err := s.SchemaVersion(ctx)
	if err != nil {
		return backup.State{}, err
	}
	head, err := s.AuditHead(ctx)
	if err != nil {
		return backup.State{}, err
	}
	rows, err := s.Counts(ctx)
	if err != nil {
		return backup.State{}, err
	}
	revision, err := s.Revision(ctx)
	if err != nil {
		return backup.State{}, err
	}
	return backup.State{
		Schema: schema, Revision: revision, AuditSeq: head.Sequence, AuditChain: hex.EncodeToString(head.Chain[:]), Rows: rows,
	}, nil
}

// checkStore is the whole of `commonvatd verify` on a file.
func checkStore(ctx context.Context, path string) error {
	report, err := verifyFile(ctx, path, datafolder.Packs(filepath.Dir(path)))
	if err != nil {
		return err
	}
	if len(report.Faults) > 0 {
		return errors.New(strings.Join(report.Faults, "; "))
	}
	return nil
}

func newBackupCreate() *cobra.Command {
	var data string
	var options backup.Options
	cmd := &cobra.Command{
		Use: "create FOLDER", Short: "Makes a backup in a new folder; the core may be running", Args: exactly(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := hasRecords(data); err != nil {
				return err
			}
			manifest, err := backup.Create(cmd.Context(), backupTools(), data, args[0], options)
			if err != nil {
				return backupFault(err)
			}
			return tellBackup(cmd, "made and checked", args[0], manifest)
		},
	}
	cmd.Flags().StringVar(&data, "data", defaultData, "folder of the records and the modules")
	cmd.Flags().BoolVar(&options.WithoutModules, "without-modules", false, "leave the modules out; the manifest still names them")
	return cmd
}

func newBackupVerify() *cobra.Command {
	return &cobra.Command{
		Use: "verify FOLDER", Short: "Checks a backup: every file, and the records against themselves", Args: exactly(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			manifest, err := backup.Verify(cmd.Context(), backupTools(), args[0])
			if err != nil {
				return backupFault(err)
			}
			return tellBackup(cmd, "is sound", args[0], manifest)
		},
	}
}

func newBackupRestore() *cobra.Command {
	var data string
	cmd := &cobra.Command{
		Use: "restore FOLDER", Short: "Makes a new data folder of a backup, which is checked first", Args: exactly(1),
		Long: `Makes a new data folder of a backup, which is checked first.

The new folder must not be there. To put it in place: stop the core, move the old data folder
away, give the new one its name, start the core. Members' requests that the old core acknowledged
after the backup was made are not in it.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			if data == "" {
				return usageError{errors.New("--data is required: a new folder for the records and the modules")}
			}
			manifest, err := backup.Restore(cmd.Context(), backupTools(), args[0], data)
			if err != nil {
				return backupFault(err)
			}
			return tellBackup(cmd, "restored into "+data, args[0], manifest)
		},
	}
	cmd.Flags().StringVar(&data, "data", "", "new folder for the records and the modules; required")
	return cmd
}

func backupFault(err error) error {
	if errors.Is(err, backup.ErrTaken) || errors.Is(err, backup.ErrNone) {
		return usageError{err}
	}
	return err
}

func tellBackup(cmd *cobra.Command, what, folder string, m backup.Manifest) error {
	_, err := fmt.Fprintf(cmd.OutOrStdout(), "%s: %s\n  of %s, schema %d, revision %d, %d trials, %d modules\n  audit trail up to %d, %s\n",
		folder, what, m.CreatedAt.Format(time.RFC3339), m.Store.Schema, m.Store.Revision, m.Store.Rows["trials"], len(m.Modules), m.Store.AuditSeq, m.Store.AuditChain)
	return err
}
