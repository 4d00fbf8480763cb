package main

import (
	"errors"
	"fmt"
	"slices"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"github.com/commonvat/commonvat/services/internal/catalog"
)

func newModule() *cobra.Command {
	cmd := &cobra.Command{Use: "module", Short: "Installs modules and shows what is installed"}
	group(cmd)
	cmd.AddCommand(newModuleInstall(), newModuleList())
	return cmd
}

func newModuleInstall() *cobra.Command {
	var data string
	cmd := &cobra.Command{
		Use: "install FOLDER...", Short: "Copies module folders into the store of modules; the core sees them when it next starts",
		Args: func(cmd *cobra.Command, args []string) error {
			if err := cobra.MinimumNArgs(1)(cmd, args); err != nil {
				return usageError{err}
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			var faults []error
			for _, folder := range args {
				digest, err := catalog.Install(modulesPath(data), folder)
				if err != nil {
					faults = append(faults, err)
					continue
				}
				if _, err := fmt.Fprintf(cmd.OutOrStdout(), "%s  %s\n", digest, folder); err != nil {
					return err
				}
			}
			return errors.Join(faults...)
		},
	}
	cmd.Flags().StringVar(&data, "data", defaultData, "folder of the records and the modules")
	return cmd
}

func newModuleList() *cobra.Command {
	var data string
	cmd := &cobra.Command{
		Use: "list", Short: "Shows the installed modules", Args: exactly(0),
		RunE: func(cmd *cobra.Command, _ []string) error {
			installed, err := catalog.List(modulesPath(data)) // damaged ones are told, whole ones shown
			active, activeErr := catalog.Active(modulesPath(data))
			table := tabwriter.NewWriter(cmd.OutOrStdout(), 0, 4, 2, ' ', 0)
			_, _ = fmt.Fprintln(table, "KIND\tNAME\tVERSION\tACTIVE\tDIGEST")
			for _, module := range installed {
				_, _ = fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%s\n", module.Kind, module.Name, module.Version,
					yesNo(slices.ContainsFunc(active, func(a catalog.Installed) bool { return a.Digest == module.Digest })), module.Digest)
			}
			if err == nil { // else told already
				err = activeErr
			}
			return errors.Join(err, table.Flush())
		},
	}
	cmd.Flags().StringVar(&data, "data", defaultData, "folder of the records and the modules")
	return cmd
}

func yesNo(is bool) string {
	if is {
		return "yes"
	}
	return "no"
}
