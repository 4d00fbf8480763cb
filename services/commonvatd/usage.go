package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"github.com/commonvat/commonvat/services/internal/datafolder"
)

// usageError is a fault of the command line or the configuration.
type usageError struct{ error }

func (e usageError) Unwrap() error { return e.error }

// lines are the faults of an error, one a line.
func lines(err error) []string {
	var usage usageError
	if errors.As(err, &usage) {
		err = usage.error
	}
	joined, ok := err.(interface{ Unwrap() []error }) // only an outermost list is a list of faults
	if !ok {
		return []string{err.Error()}
	}
	var all []string
	for _, inner := range joined.Unwrap() {
		all = append(all, inner.Error())
	}
	for _, between := range []string{"\n", "; "} {
		if strings.Join(all, between) == err.Error() {
			return all
		}
	}
	return []string{err.Error()} // one fault that is of two kinds
}

// group makes a command that only holds others: alone it shows them, and with an unknown one it refuses.
func group(cmd *cobra.Command) {
	cmd.SuggestionsMinimumDistance = 2
	cmd.Args = func(cmd *cobra.Command, args []string) error {
		if len(args) == 0 {
			return nil
		}
		meant := ""
		if near := cmd.SuggestionsFor(args[0]); len(near) > 0 {
			meant = "did you mean " + strings.Join(near, " or ") + "? "
		}
		return usageError{fmt.Errorf("%s: %q is unknown; %ssee: %s --help", cmd.CommandPath(), args[0], meant, cmd.CommandPath())}
	}
	cmd.RunE = func(cmd *cobra.Command, _ []string) error { return cmd.Help() }
}

// exactly is cobra.ExactArgs as a fault of usage.
func exactly(n int) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if len(args) != n {
			return usageError{fmt.Errorf("%s: arguments wanted: %d, given: %d; usage: %s; see: %s --help", cmd.CommandPath(), n, len(args), cmd.UseLine(), cmd.CommandPath())}
		}
		return nil
	}
}

// atLeastOne is the same for commands that take any number of arguments but none.
func atLeastOne(cmd *cobra.Command, args []string) error {
	if len(args) == 0 {
		return usageError{fmt.Errorf("%s: arguments wanted: 1 or more, given: 0; usage: %s; see: %s --help", cmd.CommandPath(), cmd.UseLine(), cmd.CommandPath())}
	}
	return nil
}

// flagValues says what a flag of a type takes; of other types the fault itself does.
var flagValues = map[string]string{"bool": "true or false", "duration": "a duration, such as 20s or 2m"}

// flagFault says of a wrong flag which it is, and what it takes.
func flagFault(cmd *cobra.Command, err error) error {
	var invalid *pflag.InvalidValueError
	if errors.As(err, &invalid) {
		flag := invalid.GetFlag()
		if wanted := flagValues[flag.Value.Type()]; wanted != "" {
			return usageError{fmt.Errorf("--%s: %q is not %s; see: %s --help", flag.Name, invalid.GetValue(), wanted, cmd.CommandPath())}
		}
	}
	return usageError{fmt.Errorf("%w; see: %s --help", err, cmd.CommandPath())}
}

// hasRecords refuses a data folder without a store, which a mistyped name mostly is, for commands that would otherwise begin one or tell of nothing.
func hasRecords(data string) error {
	if absent(datafolder.Store(data)) {
		return usageError{fmt.Errorf("%s holds no records (%s isn't there): name the core's data folder with --data", data, datafolder.StoreFile)}
	}
	return nil
}

// hasFolder refuses a data folder that isn't there. What is added tells how one is had else.
func hasFolder(data, added string) error {
	if absent(data) {
		return usageError{fmt.Errorf("there is no folder %s: name the core's data folder with --data%s", data, added)}
	}
	return nil
}

func absent(path string) bool {
	_, err := os.Stat(path)
	return errors.Is(err, fs.ErrNotExist)
}
