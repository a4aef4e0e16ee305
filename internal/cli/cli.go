package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"

	"thawtrail/internal/rpc"
	"thawtrail/internal/say"
)

// Exit codes.
const (
	exitDone    = 0
	exitFailed  = 1
	exitRefused = 2
)

// envLanguage names the language in which people are spoken to; English without it.
const envLanguage = "THAWTRAIL_LANGUAGE"

// exitError ends the program with a code when all has been said already.
type exitError struct{ code int }

func (e exitError) Error() string { return fmt.Sprintf("exit code %d", e.code) }

// Main runs one command line and returns the exit code.
func Main(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	d := newDesk(stdout, stderr)
	if err := say.Speak(os.Getenv(envLanguage)); err != nil {
		return d.report(err)
	}
	return run(ctx, d, args)
}

func run(ctx context.Context, d *console, args []string) int {
	root := d.root()
	root.SetArgs(append([]string{}, args...)) // never nil, which would mean os.Args
	root.SetOut(d.out)
	root.SetErr(d.err)
	code := d.report(root.ExecuteContext(ctx))
	if code == exitDone && d.printed.failed != nil {
		return d.report(fmt.Errorf("what was to be printed did not come out: %w", d.printed.failed))
	}
	return code
}

// report says on one line what went wrong and finds the exit code.
func (d *console) report(err error) int {
	if err == nil {
		return exitDone
	}
	var exit exitError
	if errors.As(err, &exit) {
		return exit.code
	}
	if r, ok := rpc.Refusal(err); ok {
		fmt.Fprintln(d.err, line(say.Told(r.Error())))
		return exitRefused
	}
	fmt.Fprintln(d.err, "thawtrail: "+line(say.Told(err.Error())))
	return exitFailed
}
