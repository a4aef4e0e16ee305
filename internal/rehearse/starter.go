package rehearse

import (
	"bufio"
	"context"
	"encoding/json"
	"io"
	"os"
	"os/exec"
	"strings"
	"sync"
	"time"

	"thawtrail/internal/replica"
	"thawtrail/internal/say"
)

// Starter begins rehearsals beside a real agent, each as a process of its own: what goes
// wrong in it cannot touch the agent. It implements replica.Rehearsals.
type Starter struct {
	ctx     context.Context // of the agent
	program string

	mu              sync.Mutex
	real, realPages string
	state           replica.RehearsalState
	changed         chan struct{}
	input           io.Closer     // closing it ends the process
	ended           chan struct{} // closed when it has ended
}

// NewStarter begins none yet. The rehearsals end with ctx; program is the binary that
// plays them, the running one when empty.
func NewStarter(ctx context.Context, program string) *Starter {
	return &Starter{ctx: ctx, program: program, changed: make(chan struct{})}
}

// Open lets rehearsals be started from the pages of a replica, unless it is in one.
func (s *Starter) Open(r *replica.Replica) {
	if !r.Rehearsal() {
		r.Rehearsals = s
	}
}

// Changed implements replica.Rehearsals.
func (s *Starter) Changed() <-chan struct{} {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.changed
}

// Beside says where the agent answers, and the address that opens its pages.
func (s *Starter) Beside(agent, pages string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if agent != "" {
		s.real = agent
	}
	if pages != "" {
		s.realPages = host(pages)
	}
}

// State implements replica.Rehearsals.
func (s *Starter) State() replica.RehearsalState {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.state
}

// Start implements replica.Rehearsals.
func (s *Starter) Start() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.state.Starting || s.state.URL != "" {
		return
	}
	s.state = replica.RehearsalState{Starting: true}
	if err := s.spawn(); err != nil {
		s.state = replica.RehearsalState{Trouble: err.Error()}
	}
}

// spawn starts the process; s.mu is held.
func (s *Starter) spawn() error {
	program := s.program
	if program == "" {
		var err error
		if program, err = os.Executable(); err != nil {
			return err
		}
	}
	cmd := exec.CommandContext(s.ctx, program, "rehearse", "--json", "--while-input", "--real", s.real, "--real-pages", s.realPages)
	cmd.Cancel = func() error { return cmd.Process.Signal(os.Interrupt) }
	cmd.WaitDelay = 10 * time.Second
	input, err := cmd.StdinPipe()
	if err != nil {
		return err
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		return err
	}
	var said strings.Builder
	cmd.Stderr = &said
	if err := cmd.Start(); err != nil {
		return err
	}
	ended := make(chan struct{})
	s.input, s.ended = input, ended
	go s.follow(cmd, out, &said, ended)
	return nil
}

// follow reads where the rehearsal answers, and waits for its end.
func (s *Starter) follow(cmd *exec.Cmd, out io.Reader, said *strings.Builder, ended chan struct{}) {
	defer close(ended)
	for d := json.NewDecoder(bufio.NewReader(out)); ; {
		var p Place
		if d.Decode(&p) != nil {
			break
		}
		s.become(replica.RehearsalState{URL: p.Pages})
	}
	_, _ = io.Copy(io.Discard, out)
	after := replica.RehearsalState{}
	if err := cmd.Wait(); err != nil && s.ctx.Err() == nil {
		after.Trouble = say.Text("rehearsal.fell", lastLine(said.String()))
	}
	s.become(after)
}

func (s *Starter) become(state replica.RehearsalState) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.state = state
	close(s.changed)
	s.changed = make(chan struct{})
}

// Discard implements replica.Rehearsals.
func (s *Starter) Discard() {
	s.mu.Lock()
	input, ended := s.input, s.ended
	s.mu.Unlock()
	if input == nil {
		return
	}
	_ = input.Close() // a process that has ended has closed it
	select {
	case <-ended:
	case <-time.After(patience):
	}
}

// lastLine is the end of what a process said.
func lastLine(text string) string {
	lines := strings.Split(strings.TrimSpace(text), "\n")
	return lines[len(lines)-1]
}
