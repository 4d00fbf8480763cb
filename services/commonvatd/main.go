// Commonvatd is the core: it keeps the records of a dye cooperative and answers over gRPC.
//
// Exit codes: 0 ended as asked; 1 a fault while running; 2 a fault in the command line or the configuration, all of
// them told at once.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"

	"github.com/spf13/cobra"
)

// The exit codes.
const (
	exitOK    = 0
	exitFault = 1
	exitUsage = 2
)

func main() {
	if os.Getpid() == 1 {
		code, err := asInit()
		if err != nil {
			_, _ = fmt.Fprintln(os.Stderr, "commonvatd: "+err.Error())
			code = exitFault
		}
		os.Exit(code)
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	// After the first signal the defaults hold again, so that a second one ends the process at once.
	context.AfterFunc(ctx, stop)
	code := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// run is main without the process: it returns the exit code.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	root := newRoot() //nolint:contextcheck // the commands take the context of ExecuteContext
	root.SetArgs(args)
	root.SetOut(stdout)
	root.SetErr(stderr)
	err := root.ExecuteContext(ctx)
	if err == nil {
		return exitOK
	}
	for _, line := range lines(err) {
		_, _ = fmt.Fprintln(stderr, "commonvatd: "+line)
	}
	var usage usageError
	if errors.As(err, &usage) {
		return exitUsage
	}
	return exitFault
}

func newRoot() *cobra.Command {
	root := &cobra.Command{
		Use:   "commonvatd",
		Short: "Keeps the records of a dye cooperative and answers over gRPC",
		Long: `Keeps the records of a dye cooperative and answers over gRPC.

Exit codes: 0 done, or ended as asked; 1 a fault; 2 a wrong command line or configuration.`,
		SilenceUsage:  true,
		SilenceErrors: true,
	}
	group(root)
	root.CompletionOptions.HiddenDefaultCmd = true
	root.SetFlagErrorFunc(flagFault)
	root.AddCommand(newServe(), newConfig(), newDoctor(), newHealthcheck(), newMember(), newModule(), newBackup(), newVerify(), newVersion())
	return root
}

func newVersion() *cobra.Command {
	return &cobra.Command{
		Use: "version", Short: "Prints the version", Args: exactly(0),
		RunE: func(cmd *cobra.Command, _ []string) error {
			_, err := fmt.Fprintln(cmd.OutOrStdout(), version())
			return err
		},
	}
}
