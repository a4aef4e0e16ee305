// Package terminal asks a person for a secret without showing it.
package terminal

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
)

// ErrNone: standard input is no terminal.
var ErrNone = errors.New("there is no terminal to ask at")

// longest bounds what is typed.
const longest = 2048

// Interactive says whether somebody sits at standard input.
func Interactive() bool { return isTerminal(os.Stdin.Fd()) }

// Ask shows a prompt and reads one line that does not show on the screen.
func Ask(out io.Writer, prompt string) (string, error) {
	if !Interactive() {
		return "", ErrNone
	}
	fmt.Fprint(out, prompt)
	back, err := hideTyping(os.Stdin.Fd())
	if err != nil {
		return "", fmt.Errorf("terminal: %w", err)
	}
	line, err := bufio.NewReader(io.LimitReader(os.Stdin, longest)).ReadString('\n')
	back()
	fmt.Fprintln(out)
	if err != nil && !(errors.Is(err, io.EOF) && line != "") {
		return "", fmt.Errorf("terminal: %w", err)
	}
	return strings.TrimRight(line, "\r\n"), nil
}
