// Chapterhouse puts a title's chapters through their narrators' chains, brings
// every file to the receiver's spec, and says which chapters need an ear.
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

// Exit codes.
const (
	exitDone     = 0 // done, whatever the verdicts
	exitFailed   = 1 // could not
	exitUsage    = 2 // the call's words are off
	exitVerdicts = 3 // only with --fail-on
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// run is the whole program: tests call it too.
func run(ctx context.Context, args []string, out, errs io.Writer) int {
	root := rootCommand()
	root.SetArgs(args)
	root.SetOut(out)
	root.SetErr(errs)
	err := root.ExecuteContext(ctx)
	var usage usageError
	var verdict verdictError
	switch {
	case err == nil:
		return exitDone
	case errors.As(err, &usage):
		tell(errs, err)
		fmt.Fprintf(errs, "Try: %s --help\n", usage.command)
		return exitUsage
	case errors.As(err, &verdict):
		tell(errs, err)
		return exitVerdicts
	case ctx.Err() != nil:
		fmt.Fprintln(errs, "stopped; the same command goes on from here")
		return exitFailed
	}
	tell(errs, err)
	return exitFailed
}

// usageError is a call whose words are off.
type usageError struct {
	command string
	err     error
}

func (e usageError) Error() string { return e.err.Error() }

// verdictError is what --fail-on asked to be told by the exit code.
type verdictError string

func (e verdictError) Error() string { return string(e) }

func rootCommand() *cobra.Command {
	root := &cobra.Command{
		Use:   "chapterhouse",
		Short: "A night of audiobook chapters through their narrators' chains",
		Long: "Chapterhouse puts every chapter of a title through its narrator's saved chain, masters to the\n" +
			"receiver's spec, checks every file, and leaves a report of the chapters that need an ear.\n\n" +
			"Settings are read from the file named by CHAPTERHOUSE_SETTINGS and from CHAPTERHOUSE_* over it:\n" +
			"s3.secret_key is CHAPTERHOUSE_S3_SECRET_KEY. A key that nobody knows is answered with all there are.\n\n" +
			"Exit codes: 0 done, whatever the verdicts; 1 could not; 2 usage; 3 only with --fail-on.",
		SilenceUsage:  true,
		SilenceErrors: true,
		Args: func(c *cobra.Command, args []string) error {
			if len(args) > 0 {
				return usageError{c.CommandPath(), fmt.Errorf("no command is called %q", args[0])}
			}
			return nil
		},
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	root.CompletionOptions.DisableDefaultCmd = true
	root.AddCommand(
		processCommand(), measureCommand(),
		submitCommand(), statusCommand(), watchCommand(), cancelCommand(), rerunCommand(),
		pushCommand(), pullCommand(), fetchCommand(), compareCommand(), checkCommand(), chainCommand(), clinicCommand(),
		coordinatorCommand(), workerCommand(), jobCommand(),
	)
	root.SetFlagErrorFunc(func(c *cobra.Command, err error) error { return usageError{c.CommandPath(), err} })
	return root
}

// atLeast is an argument count that is a usage error otherwise.
func atLeast(n int, what string) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		if len(args) < n {
			return usageError{c.CommandPath(), fmt.Errorf("name %s", what)}
		}
		return nil
	}
}

// atMost is an argument count that is a usage error otherwise.
func atMost(n int, what string) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		if len(args) > n {
			return usageError{c.CommandPath(), fmt.Errorf("name %s at most", what)}
		}
		return nil
	}
}

// exactly is an argument count that is a usage error otherwise.
func exactly(n int, what string) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		if len(args) != n {
			return usageError{c.CommandPath(), fmt.Errorf("name %s, and nothing else", what)}
		}
		return nil
	}
}
