// Command commonvat is the command line of Commonvat, for members,
// coordinators, researchers and stewards. See README.md beside this file.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"

	"github.com/commonvat/commonvat/clients/commonvat/internal/cli"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := cli.Run(ctx, os.Args[1:], cli.Surroundings{
		In: os.Stdin, Out: os.Stdout, Err: os.Stderr, Getenv: os.Getenv,
	})
	stop()
	os.Exit(code)
}
