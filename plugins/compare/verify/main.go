// Command verify simulates sessions that share pots and counts how often the methods of the compare and palette modules say what is not
// so. It prints each share beside its limit and ends with 1 when one is not held.
package main

import (
	"context"
	"flag"
	"fmt"
	"os"
	"text/tabwriter"
	"time"
)

func main() {
	runs := flag.Int("runs", 2000, "simulated experiments for each line, 10 to 1000000")
	seed := flag.Uint64("seed", 1, "seed of the simulations")
	only := flag.String("only", "", `only the lines that contain this, as "coverage" or "order matters, 6 sessions"`)
	flag.Parse()
	if *runs < 10 || *runs > 1_000_000 {
		fmt.Fprintf(os.Stderr, "-runs is %d; allowed: 10 to 1000000\n", *runs)
		os.Exit(2)
	}
	out := tabwriter.NewWriter(os.Stdout, 0, 4, 2, ' ', 0)
	_, _ = fmt.Fprintf(out, "question\tsituation\tshare\tlimit\t\ttime\n")
	failed := false
	for _, l := range lines(*only) {
		start := time.Now()
		r, err := l.measure(context.Background(), *runs, *seed)
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		said := "held"
		if !r.held(l) {
			said, failed = "NOT HELD", true
		}
		limit := fmt.Sprintf("≤ %.3f", l.limit)
		if l.atLeast {
			limit = fmt.Sprintf("≥ %.2f", l.limit)
		}
		_, _ = fmt.Fprintf(out, "%s\t%s\t%.4f\t%s\t%s\t%.0f s\n", l.question, l.situation, r.share(), limit, said, time.Since(start).Seconds())
		if err := out.Flush(); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	}
	fmt.Printf("%d simulated experiments a line, seed %d; a share of .05 has a standard error of %.4f\n", *runs, *seed, standardError(0.05, *runs))
	if failed {
		os.Exit(1)
	}
}
