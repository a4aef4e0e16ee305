package demo

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"time"
)

const (
	startWithin = 90 * time.Second // until a child says where it answers
	stopWithin  = 20 * time.Second // until it is ended the hard way
)

// process is a server or an agent that runs as a child of this one.
type process struct {
	cmd     *exec.Cmd
	address string
	log     *os.File      // what it writes to standard error
	done    chan struct{} // closed when it has ended
}

// start runs the program and waits until it says where it answers.
func start(ctx context.Context, program, logPath string, args ...string) (*process, error) {
	log, err := os.OpenFile(logPath, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return nil, err
	}
	p := &process{cmd: exec.Command(program, args...), log: log, done: make(chan struct{})}
	p.cmd.Stderr = log
	out, err := p.cmd.StdoutPipe()
	if err == nil {
		err = p.cmd.Start()
	}
	if err != nil {
		return nil, errors.Join(err, log.Close())
	}
	said := make(chan string, 1)
	go p.watch(out, said)
	select {
	case p.address = <-said:
		return p, nil
	case <-p.done:
		err = fmt.Errorf("`thawtrail %s` ended at once: %s", args[0], lastLine(logPath))
	case <-time.After(startWithin):
		err = fmt.Errorf("`thawtrail %s` did not say where it answers within %s", args[0], startWithin)
	case <-ctx.Done():
		err = ctx.Err()
	}
	p.kill()
	return nil, err
}

// watch passes on the address and waits for the end.
func (p *process) watch(out io.Reader, said chan<- string) {
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		if address, ok := addressIn(lines.Text()); ok {
			select {
			case said <- address:
			default: // said before
			}
		}
	}
	_, _ = io.Copy(io.Discard, out) // past a line too long to scan
	_ = p.cmd.Wait()                // how it ended is told by those who ended it
	_ = p.log.Close()
	close(p.done)
}

// addressIn finds the address in '… answers at ADDRESS; stop it with Ctrl-C'.
func addressIn(line string) (string, bool) {
	_, rest, ok := strings.Cut(line, " answers at ")
	if !ok {
		return "", false
	}
	address, _, _ := strings.Cut(rest, ";")
	return address, true
}

// kill ends it without a chance to say or write anything: SIGKILL, or
// TerminateProcess on Windows.
func (p *process) kill() {
	_ = p.cmd.Process.Kill() // it may have ended already
	<-p.done
}

// stop asks it to end, and ends it when it does not. Windows has no way to ask.
func (p *process) stop() {
	if p.cmd.Process.Signal(os.Interrupt) == nil {
		select {
		case <-p.done:
			return
		case <-time.After(stopWithin):
		}
	}
	p.kill()
}

func (p *process) ended() bool {
	select {
	case <-p.done:
		return true
	default:
		return false
	}
}

// lastLine is the end of a log, for an error.
func lastLine(path string) string {
	text, err := os.ReadFile(path)
	lines := strings.Split(strings.TrimSpace(string(text)), "\n")
	if err != nil || lines[len(lines)-1] == "" {
		return "it said nothing"
	}
	return lines[len(lines)-1]
}
