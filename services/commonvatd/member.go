package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/datafolder"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/sqlite"
)

func newMember() *cobra.Command {
	cmd := &cobra.Command{
		Use: "member", Short: "Takes in members and makes tokens while the core is stopped",
		Long: `Takes in members and makes tokens while the core is stopped, for the first steward and for whoever
lost their token. While the core runs a steward does the same over its interface.`,
	}
	group(cmd)
	cmd.AddCommand(newMemberAdd(), newMemberToken())
	return cmd
}

func newMemberAdd() *cobra.Command {
	var data, name, tokenFile string
	var roles []string
	cmd := &cobra.Command{
		Use: "add ID", Short: "Takes in a member and makes a token", Args: exactly(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if name == "" {
				name = args[0]
			}
			// Before anything is begun: a wrong role must leave no empty data folder behind.
			row := store.MemberRow{ID: args[0], DisplayName: name, Roles: roles}
			if err := access.CheckMember(row); err != nil {
				return usageError{err}
			}
			return withRegistry(cmd.Context(), data, func(ctx context.Context, registry *access.Registry) error {
				by := onServer("member add")
				return giveToken(ctx, cmd, registry, by, args[0], tokenFile, func() error {
					_, err := registry.CreateMember(ctx, by, row)
					return err
				})
			})
		},
	}
	flags := cmd.Flags()
	flags.StringVar(&data, "data", defaultData, "folder of the records")
	flags.StringVar(&name, "name", "", "the member's name as shown (default: the id)")
	flags.StringSliceVar(&roles, "role", []string{string(access.Member)}, "member, researcher, coordinator or steward; several with commas, or repeated")
	flags.StringVar(&tokenFile, "token-file", "", "new file for the token, readable by this user alone (default: it is printed)")
	return cmd
}

func newMemberToken() *cobra.Command {
	var data, tokenFile string
	cmd := &cobra.Command{
		Use: "token ID", Short: "Makes another token for a member", Args: exactly(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := hasRecords(data); err != nil {
				return err
			}
			return withRegistry(cmd.Context(), data, func(ctx context.Context, registry *access.Registry) error {
				return giveToken(ctx, cmd, registry, onServer("member token"), args[0], tokenFile, func() error { return nil })
			})
		},
	}
	cmd.Flags().StringVar(&data, "data", defaultData, "folder of the records")
	cmd.Flags().StringVar(&tokenFile, "token-file", "", "new file for the token, readable by this user alone (default: it is printed)")
	return cmd
}

// onServer is the actor of a command of this program, as the audit trail has it.
func onServer(command string) store.Actor {
	return store.Actor{Member: store.Server, Method: "commonvatd " + command}
}

// withRegistry opens the store for the time of one command.
func withRegistry(ctx context.Context, data string, do func(context.Context, *access.Registry) error) (err error) {
	records, err := sqlite.Open(ctx, sqlite.Config{Path: datafolder.Store(data)})
	if errors.Is(err, sqlite.ErrInUse) {
		return fmt.Errorf("%w: stop the core first, or ask a steward", err)
	}
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, records.Close()) }()
	registry := access.New(records, nil)
	return errors.Join(do(ctx, registry), registry.Close(ctx))
}

// giveToken does what comes before and then makes the token, in a new file or on standard output.
func giveToken(ctx context.Context, cmd *cobra.Command, registry *access.Registry, by store.Actor, member, path string, before func() error) error {
	if path == "" {
		if err := before(); err != nil {
			return err
		}
		return writeToken(ctx, registry, by, member, func(text string) error {
			_, err := fmt.Fprint(cmd.OutOrStdout(), text)
			return err
		})
	}
	// The file comes first, so that no token is made that can't be given; it goes again when the rest fails.
	file, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return usageError{fmt.Errorf("--token-file: %s is there already; choose a new path", path)}
	}
	if errors.Is(err, fs.ErrNotExist) {
		return usageError{fmt.Errorf("--token-file: there is no folder %s", filepath.Dir(path))}
	}
	if err != nil {
		return fmt.Errorf("--token-file: %w", err)
	}
	if err = before(); err == nil {
		err = writeToken(ctx, registry, by, member, func(text string) error {
			if _, err := file.WriteString(text); err != nil {
				return err
			}
			return file.Sync()
		})
	}
	if closeErr := file.Close(); closeErr != nil {
		err = errors.Join(err, fmt.Errorf("token file: %w", closeErr))
	}
	if err != nil {
		err = errors.Join(err, os.Remove(path))
	}
	return err
}

func writeToken(ctx context.Context, registry *access.Registry, by store.Actor, member string, write func(string) error) error {
	_, text, err := registry.IssueToken(ctx, by, member, "made at the server on "+time.Now().UTC().Format(time.DateOnly), time.Time{})
	if err != nil {
		return err
	}
	if err := write(text + "\n"); err != nil {
		return fmt.Errorf("write token: %w", redact(err, text))
	}
	return nil
}

// redact keeps a token out of a message, whatever a writer put there.
func redact(err error, text string) error {
	return errors.New(strings.ReplaceAll(err.Error(), text, "(token)"))
}
