// Command commonvat-demo makes up an invented cooperative and shows it at work.
//
//	commonvat-demo invent --out FILE       write the invented steps
//	commonvat-demo run --data DIR ...      start a core with the demo pool, until Ctrl-C
//	commonvat-demo measured --measured DIR take in measured wool spectra and ask about them
//
// The make targets run, demo and measured call it.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/signal"
	"syscall"

	"github.com/commonvat/commonvat/clients/commonvat-demo/internal/invent"
	"github.com/commonvat/commonvat/clients/commonvat-demo/internal/load"
	"github.com/commonvat/commonvat/clients/commonvat-demo/internal/stage"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	if err := command(ctx, os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "commonvat-demo:", err)
		os.Exit(1)
	}
}

func command(ctx context.Context, args []string) error {
	if len(args) == 0 {
		return errors.New("say what to do: invent, run or measured")
	}
	switch args[0] {
	case "invent":
		flags := flag.NewFlagSet("invent", flag.ContinueOnError)
		out := flags.String("out", "", "file to write")
		seed := flags.Uint64("seed", invent.Seed, "seed")
		if err := flags.Parse(args[1:]); err != nil {
			return err
		}
		return write(*out, *seed)
	case "run":
		flags, c := coreFlags("run")
		flags.StringVar(&c.StepsFile, "steps", "testdata/demo/cooperative.jsonl", "the invented steps")
		flags.BoolVar(&c.Once, "once", false, "print the answers and end")
		if err := flags.Parse(args[1:]); err != nil {
			return err
		}
		return stage.Run(ctx, *c, os.Stdout)
	case "measured":
		flags, c := coreFlags("measured")
		dir := flags.String("measured", "", "folder of biodyes_lab.csv and biodyes_spectra.csv")
		mapping := flags.String("mapping", "testdata/import/wool-spectra.mapping.yaml", "the column mapping")
		if err := flags.Parse(args[1:]); err != nil {
			return err
		}
		return stage.Measured(ctx, *c, *dir, *mapping, os.Stdout)
	default:
		return fmt.Errorf("%q is none of invent, run, measured", args[0])
	}
}

// coreFlags are the flags of every command that starts a core.
func coreFlags(command string) (*flag.FlagSet, *stage.Config) {
	c := &stage.Config{}
	flags := flag.NewFlagSet(command, flag.ContinueOnError)
	flags.StringVar(&c.BinDir, "bin", "bin", "folder of the built programs and modules")
	flags.StringVar(&c.DataDir, "data", "data", "folder of the record")
	flags.StringVar(&c.Listen, "listen", "127.0.0.1:7730", "loopback address of the core")
	return flags, c
}

func write(out string, seed uint64) (err error) {
	if out == "" {
		return errors.New("--out: say which file to write")
	}
	f, err := os.Create(out)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	return load.Write(f, seed, invent.Cooperative(seed))
}
