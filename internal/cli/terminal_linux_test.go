package cli

import (
	"bytes"
	"context"
	"crypto/rand"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"thawtrail/internal/trust/vault"
	"thawtrail/internal/wholefile"
)

// asProgram makes the test's own binary the program, so that a terminal drives it.
const asProgram = "THAWTRAIL_AS_PROGRAM"

func TestMain(m *testing.M) {
	if os.Getenv(asProgram) != "" {
		ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
		code := Main(ctx, os.Args[1:], os.Stdout, os.Stderr)
		stop()
		os.Exit(code)
	}
	os.Exit(m.Run())
}

// sitting is a pseudo terminal with the program at it and a person before it.
type sitting struct {
	t      *testing.T
	keys   *os.File // the person's side
	screen *os.File // the program's side
	cmd    *exec.Cmd

	mu   sync.Mutex
	seen bytes.Buffer // guarded by mu; all that stood on the screen
	read int          // what the test has waited for already
}

// sitDown starts the program at a terminal of its own.
func sitDown(t *testing.T, args ...string) *sitting {
	t.Helper()
	keys, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	require.NoError(t, err)
	require.NoError(t, unix.IoctlSetPointerInt(int(keys.Fd()), unix.TIOCSPTLCK, 0))
	n, err := unix.IoctlGetInt(int(keys.Fd()), unix.TIOCGPTN)
	require.NoError(t, err)
	screen, err := os.OpenFile(fmt.Sprintf("/dev/pts/%d", n), os.O_RDWR|unix.O_NOCTTY, 0)
	require.NoError(t, err)
	p := &sitting{t: t, keys: keys, screen: screen, cmd: exec.Command(os.Args[0], args...)}
	p.cmd.Env = append(os.Environ(), asProgram+"=1")
	p.cmd.Stdin, p.cmd.Stdout, p.cmd.Stderr = screen, screen, screen
	p.cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true, Setctty: true}
	require.NoError(t, p.cmd.Start())
	go func() {
		buf := make([]byte, 4096)
		for {
			n, err := keys.Read(buf)
			p.mu.Lock()
			p.seen.Write(buf[:n])
			p.mu.Unlock()
			if err != nil {
				return
			}
		}
	}()
	t.Cleanup(func() {
		_ = p.cmd.Process.Kill()
		_ = p.screen.Close()
		_ = p.keys.Close()
	})
	return p
}

// until waits for words and gives what stood on the screen before them, since the
// last wait.
func (p *sitting) until(words string) string {
	p.t.Helper()
	for range 3000 {
		p.mu.Lock()
		fresh := p.seen.String()[p.read:]
		if i := strings.Index(fresh, words); i >= 0 {
			p.read += i + len(words)
			p.mu.Unlock()
			return fresh[:i]
		}
		p.mu.Unlock()
		time.Sleep(10 * time.Millisecond)
	}
	p.t.Fatalf("%q never came; the screen says:\n%s", words, p.all())
	return ""
}

// asked waits for a prompt, and until the terminal hides what is typed then.
func (p *sitting) asked(prompt string) string {
	p.t.Helper()
	said := p.until(prompt)
	require.Eventually(p.t, func() bool { return !p.shows() }, 30*time.Second, time.Millisecond, "the terminal shows what is typed after %q", prompt)
	return said
}

func (p *sitting) all() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.seen.String()
}

// typed presses keys, as a person does.
func (p *sitting) typed(keys string) {
	p.t.Helper()
	_, err := p.keys.WriteString(keys)
	require.NoError(p.t, err)
}

// ends waits for the program and gives its exit code.
func (p *sitting) ends() int {
	_ = p.cmd.Wait() // the exit code says it
	return p.cmd.ProcessState.ExitCode()
}

// shows says whether the terminal shows what is typed.
func (p *sitting) shows() bool {
	p.t.Helper()
	at, err := unix.IoctlGetTermios(int(p.screen.Fd()), unix.TCGETS)
	require.NoError(p.t, err)
	return at.Lflag&unix.ECHO != 0
}

const phraseKnown = "abbey acorn actor adobe alarm"

func lockedFolder(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	s, err := vault.Passphrase(phraseKnown)
	require.NoError(t, err)
	_, err = vault.Create(wholefile.Folder(dir), &s, vault.Cost{Passes: 1, MemoryKiB: 64, Lanes: 1}, rand.Reader)
	require.NoError(t, err)
	return dir
}

func opens(t *testing.T, dir, phrase string) bool {
	t.Helper()
	s, err := vault.Passphrase(phrase)
	require.NoError(t, err)
	_, err = vault.Open(wholefile.Folder(dir), &s)
	return err == nil
}

// TestAPassphraseAtATerminal mistypes it in all ways and sets a new one.
func TestAPassphraseAtATerminal(t *testing.T) {
	dir := lockedFolder(t)
	p := sitDown(t, "passphrase", "--data", dir)
	const ask = "Passphrase (four letters of each word are enough): "
	p.asked(ask)
	p.typed("shrt\r") // no part of a word of the list: one of them may be offered below; CR is Enter
	p.until("That does not open it. Tries left: 2.")
	p.asked(ask)
	p.typed("abbye aocrn actor adobe alarm\r") // two slips: they are named
	said := p.asked(ask)
	require.Contains(t, said, "Tries left: 1.")
	require.Contains(t, said, "word 1 is not on the list; did you mean abbey?")
	require.Contains(t, said, "word 2 is not on the list; did you mean acorn?")
	p.typed("ABBE acon-acto adob alar\r") // one slip: it is put right
	said = p.asked("Passphrase from now on: ")
	require.Contains(t, said, "There was one slip in it; it was put right.")
	require.Contains(t, said, "From now on this folder opens by another passphrase")
	require.NotContains(t, said, "This folder is new")
	offer := regexp.MustCompile(`(?m)^    ([a-z]+(?: [a-z]+){4})\r?$`).FindStringSubmatch(said)
	require.NotNil(t, offer, said)

	p.typed("1234567\r")
	require.Contains(t, p.asked("Passphrase from now on: "), "That will not do: at least 8 characters")
	p.typed(offer[1] + "\r")
	p.asked("The same again: ")
	p.typed(phraseKnown + "\r")
	require.Contains(t, p.asked("Passphrase from now on: "), "The two are not the same.")
	var four []string
	for _, w := range strings.Fields(offer[1]) {
		four = append(four, w[:4])
	}
	p.typed(strings.ToUpper(strings.Join(four, "")) + "\r")
	p.asked("The same again: ")
	p.typed(offer[1] + "\r")
	p.until("Changed.")
	require.Equal(t, 0, p.ends())
	require.True(t, p.shows())
	require.True(t, opens(t, dir, offer[1]))
	require.False(t, opens(t, dir, phraseKnown))
	// Nothing that was typed stood on the screen.
	for _, secret := range []string{"shrt", "abbye", "ABBE", "1234567", strings.ToUpper(four[0])} {
		require.NotContains(t, p.all(), secret)
	}
}

// TestThreeWrongPassphrasesEndIt with what is wrong, and change nothing.
func TestThreeWrongPassphrasesEndIt(t *testing.T) {
	dir := lockedFolder(t)
	p := sitDown(t, "passphrase", "--data", dir)
	for range 3 {
		p.asked("enough): ")
		p.typed("quite another sort of passphrase\r")
	}
	require.Equal(t, 1, p.ends())
	require.Eventually(t, func() bool { return strings.Contains(p.all(), "thawtrail: "+vault.ErrWrongSecret.Error()) }, 10*time.Second, 10*time.Millisecond, p.all())
	require.NotContains(t, p.all(), "from now on")
	require.True(t, opens(t, dir, phraseKnown))
}

// TestAnInterruptShowsTypingAgain: nobody is left at a terminal that hides.
func TestAnInterruptShowsTypingAgain(t *testing.T) {
	p := sitDown(t, "passphrase", "--data", lockedFolder(t))
	p.asked("enough): ")
	p.typed("abbey aco\x03")
	p.until("thawtrail: interrupted; nothing was done")
	require.Equal(t, 1, p.ends())
	require.True(t, p.shows())
}
