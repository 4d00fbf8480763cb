package main

import (
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"github.com/commonvat/commonvat/plugins/conformance"
	"github.com/commonvat/commonvat/plugins/sdk/sandbox"
	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/datafolder"
)

func newModule() *cobra.Command {
	cmd := &cobra.Command{Use: "module", Short: "Installs modules and shows what is installed"}
	group(cmd)
	cmd.AddCommand(newModuleInstall(), newModuleList(), newModuleReport())
	return cmd
}

func newModuleInstall() *cobra.Command {
	var data string
	var makeDefault bool
	cmd := &cobra.Command{
		Use: "install FOLDER...", Short: "Tries module folders and copies them into the store of modules",
		Long: `Copies module folders into the store of modules and tries each by the conformance suite, whose report is kept beside it. A build that passes
answers for its name when the core next starts, unless another was chosen; a running core takes it by "commonvat modules activate". One that
doesn't pass is kept with its report and can never serve. A build that passed before isn't tried again.

The data folder must be there: "commonvatd member add" makes one.

The first module of a kind answers for the kind from then on. With --default the installed one does, when the core next starts, unless a
coordinator chose another.`,
		Args: atLeastOne,
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := hasFolder(data, "; a new one begins with: commonvatd member add"); err != nil {
				return err
			}
			if hasRecords(data) != nil && absent(datafolder.Modules(data)) {
				cmd.PrintErrf("%s held neither records nor modules; a core started with --data %s finds there what is installed now\n", data, data)
			}
			var faults []error
			for _, folder := range args {
				in, err := catalog.Add(datafolder.Modules(data), folder)
				if err == nil {
					err = tried(cmd, datafolder.Modules(data), in)
				}
				if err == nil && makeDefault {
					err = catalog.DeclareDefault(datafolder.Modules(data), in)
				}
				if err != nil {
					faults = append(faults, err)
					continue
				}
				if _, err := fmt.Fprintf(cmd.OutOrStdout(), "%s  %s\n", in.Digest, folder); err != nil {
					return err
				}
				cmd.PrintErrf("%s %s passes; a running core takes it by: commonvat modules activate %s@%s\n", in.Name, in.Version, in.Name, in.Version)
			}
			return errors.Join(faults...)
		},
	}
	cmd.Flags().StringVar(&data, "data", defaultData, "folder of the records and the modules")
	cmd.Flags().BoolVar(&makeDefault, "default", false, "make it answer for its kind")
	return cmd
}

// tried runs the conformance suite on an installed build, keeps its report, and chooses the build when it passed.
func tried(cmd *cobra.Command, folder string, in catalog.Installed) error {
	report, err := catalog.ReportOf(folder, in.Digest)
	if err != nil || !report.Passed {
		found, err := conformance.Run(cmd.Context(), conformance.Target{Folder: filepath.Dir(in.Executable)}, conformance.Options{
			// A stranger's program, run as the steward: what this kernel can hold, it holds.
			Sandbox: sandbox.Policy{Profile: sandbox.Local, Wish: in.Wish}, SHA256: in.SHA256,
		})
		if err != nil {
			return fmt.Errorf("try %s %s: %w", in.Name, in.Version, err)
		}
		text, err := found.MarshalJSON()
		if err != nil {
			return err
		}
		if err := catalog.KeepReport(folder, in.Digest, text); err != nil {
			return err
		}
		if !found.Passed() {
			return fmt.Errorf("%s %s does not pass; build %s is kept with its report and can't serve\n%s", in.Name, in.Version, in.Digest, found)
		}
	}
	return catalog.Choose(folder, in)
}

func newModuleReport() *cobra.Command {
	var data string
	cmd := &cobra.Command{
		Use: "report DIGEST", Short: "Shows what the conformance suite found of an installed build", Args: exactly(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			report, err := catalog.ReportOf(datafolder.Modules(data), args[0])
			if errors.Is(err, fs.ErrNotExist) {
				return fmt.Errorf("there is no report of %.80s: it isn't installed, or was installed without being tried", args[0])
			}
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s\n", report.JSON)
			return err
		},
	}
	cmd.Flags().StringVar(&data, "data", defaultData, "folder of the records and the modules")
	return cmd
}

func newModuleList() *cobra.Command {
	var data string
	cmd := &cobra.Command{
		Use: "list", Short: "Shows the installed modules", Args: exactly(0),
		Long: `Shows the installed modules, and which of them a core runs and asks by default that was told nothing else: what was chosen while a core ran is in its
database, and told by "commonvat modules".`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := hasFolder(data, ""); err != nil {
				return err
			}
			installed, err := catalog.List(datafolder.Modules(data)) // damaged ones are told, whole ones shown
			active, activeErr := catalog.Active(datafolder.Modules(data))
			table := tabwriter.NewWriter(cmd.OutOrStdout(), 0, 4, 2, ' ', 0)
			_, _ = fmt.Fprintln(table, "KIND\tNAME\tVERSION\tREPORT\tACTIVE\tDEFAULT\tDIGEST")
			for _, module := range installed {
				at := slices.IndexFunc(active, func(a catalog.Installed) bool { return a.Digest == module.Digest })
				first := at >= 0 && (at == 0 || active[at-1].Kind != module.Kind)
				_, _ = fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%s\t%s\t%s\n", module.Kind, module.Name, module.Version, reportWord(datafolder.Modules(data), module.Digest),
					yesNo(at >= 0), yesNo(first), module.Digest)
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

func reportWord(folder, digest string) string {
	switch report, err := catalog.ReportOf(folder, digest); {
	case err != nil:
		return "none"
	case report.Passed:
		return "passed"
	default:
		return "failed"
	}
}

func yesNo(is bool) string {
	if is {
		return "yes"
	}
	return "no"
}
