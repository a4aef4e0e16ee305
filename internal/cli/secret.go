package cli

import (
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"

	"golang.org/x/term"
)

// interactive says whether somebody sits at standard input.
func interactive() bool { return term.IsTerminal(int(os.Stdin.Fd())) }

// askSecret shows a prompt and reads one line that does not show on the screen. An
// interrupt ends it at once, and the terminal shows typing again.
func askSecret(out io.Writer, prompt string) (string, error) {
	stdin := int(os.Stdin.Fd())
	if !term.IsTerminal(stdin) {
		return "", errors.New("there is no terminal to ask at")
	}
	before, err := term.GetState(stdin)
	if err != nil {
		return "", fmt.Errorf("terminal: %w", err)
	}
	interrupted := make(chan os.Signal, 1)
	signal.Notify(interrupted, os.Interrupt, syscall.SIGTERM)
	defer signal.Stop(interrupted)
	fmt.Fprint(out, prompt)
	typed := make(chan answer, 1)
	go func() { // after an interrupt it waits for a line until the program ends
		line, err := term.ReadPassword(stdin)
		typed <- answer{string(line), err}
	}()
	select {
	case <-interrupted:
		fmt.Fprintln(out)
		return "", errors.Join(errors.New("interrupted; nothing was done"), term.Restore(stdin, before))
	case a := <-typed:
		fmt.Fprintln(out)
		if a.err != nil {
			return "", fmt.Errorf("terminal: %w", a.err)
		}
		return a.line, nil
	}
}

type answer struct {
	line string
	err  error
}
