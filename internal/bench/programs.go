package bench

import (
	"bufio"
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"

	"thawtrail/internal/wholefile"
)

// program is this program once more, as a process of its own: on the other side of a link
// it has its own memory and its own turns, as on a machine of its own.
type program struct {
	pid  int
	addr string
	stop func() error
}

var answersAt = regexp.MustCompile(`answers at (\S+);`)

// apart starts it with the words of a command, and waits until it answers.
func (l *lab) apart(ctx context.Context, words ...string) (*program, error) {
	cmd := exec.CommandContext(ctx, l.cfg.Program, append(words, "--log-level", "error")...)
	cmd.Cancel = func() error { return cmd.Process.Signal(os.Interrupt) }
	printed, err := cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := cmd.Start(); err != nil {
		return nil, err
	}
	for lines := bufio.NewScanner(printed); lines.Scan(); {
		if at := answersAt.FindStringSubmatch(lines.Text()); at != nil {
			return &program{cmd.Process.Pid, at[1], func() error { return errors.Join(cmd.Process.Signal(os.Interrupt), cmd.Wait()) }}, nil
		}
	}
	return nil, errors.Join(errors.New("a process ended before it answered"), cmd.Wait())
}

// hostApart is a process that serves many practices.
func (l *lab) hostApart(ctx context.Context, listen, practices, keys string, flags ...string) (*program, error) {
	return l.apart(ctx, append([]string{"server", "host", "--listen", listen, "--practices", practices, "--keys", keys}, flags...)...)
}

// keyFor lays the key of a practice of that name where a host looks for it.
func keyFor(keys, name string) error {
	return wholefile.Write(filepath.Join(keys, name+".key"), keyBytes)
}

// serverApart serves the one practice that lies in a folder.
func (l *lab) serverApart(ctx context.Context, dir string) (*program, error) {
	return l.folderApart(ctx, dir, "server")
}

// agentApart is a laptop.
func (l *lab) agentApart(ctx context.Context, dir, server string) (*program, error) {
	return l.folderApart(ctx, dir, "agent", "--server", server)
}

// folderApart lays the key of a folder beside it.
func (l *lab) folderApart(ctx context.Context, dir string, words ...string) (*program, error) {
	key := dir + ".key"
	if err := wholefile.Write(key, keyBytes); err != nil {
		return nil, err
	}
	return l.apart(ctx, append(words, "--data", dir, "--key-file", key, "--listen", "127.0.0.1:0")...)
}
