// Package terminal asks a person for a secret without showing it.
package terminal

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"
)

// Errors of asking.
var (
	// ErrNone: standard input is no terminal.
	ErrNone = errors.New("there is no terminal to ask at")
	// ErrInterrupted: the person would rather not answer.
	ErrInterrupted = errors.New("interrupted; nothing was done")
)

// longest bounds what is typed.
const longest = 2048

// Interactive says whether somebody sits at standard input.
func Interactive() bool { return isTerminal(os.Stdin.Fd()) }

// Ask shows a prompt and reads one line that does not show on the screen. An
// interrupt ends it at once, and the terminal shows typing again.
func Ask(out io.Writer, prompt string) (string, error) {
	if !Interactive() {
		return "", ErrNone
	}
	interrupted := make(chan os.Signal, 1)
	signal.Notify(interrupted, os.Interrupt, syscall.SIGTERM)
	defer signal.Stop(interrupted)
	back, err := hideTyping(os.Stdin.Fd())
	if err != nil {
		return "", fmt.Errorf("terminal: %w", err)
	}
	defer back()
	fmt.Fprint(out, prompt)
	typed := make(chan answer, 1)
	go func() { // after an interrupt it waits for a line until the program ends
		line, err := bufio.NewReader(io.LimitReader(os.Stdin, longest)).ReadString('\n')
		typed <- answer{line, err}
	}()
	select {
	case <-interrupted:
		fmt.Fprintln(out)
		return "", ErrInterrupted
	case a := <-typed:
		fmt.Fprintln(out)
		if a.err != nil && !(errors.Is(a.err, io.EOF) && a.line != "") {
			return "", fmt.Errorf("terminal: %w", a.err)
		}
		return strings.TrimRight(a.line, "\r\n"), nil
	}
}

type answer struct {
	line string
	err  error
}
