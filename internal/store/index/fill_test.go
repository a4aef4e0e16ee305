package index

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/clock"
	"thawtrail/internal/testrun"
)

// fillVariable makes the test binary a child that keeps writing to the index it names.
const fillVariable = "THAWTRAIL_TEST_FILLS_INDEX"

// keepWriting updates an index in a folder until its input ends, and closes it. It says a
// line for each update.
func keepWriting(dir string, until io.Reader, said io.Writer) error {
	ix, _, err := Open(Options{Dir: dir, Key: testKey, Elapsed: clock.System{}.Monotonic})
	if err != nil {
		return err
	}
	ended := make(chan struct{})
	go func() {
		_, _ = io.Copy(io.Discard, until)
		close(ended)
	}()
	random := rand.NewChaCha8([32]byte{})
	for round := 0; ; round++ {
		select {
		case <-ended:
			return ix.Close()
		default:
		}
		err := ix.Update(func(w Writer) error {
			for k := range 400 {
				value := make([]byte, 1000)
				_, _ = random.Read(value)
				if err := w.Set(fmt.Appendf(nil, "%03d/%03d", round%100, k), value); err != nil {
					return err
				}
			}
			return nil
		})
		if errors.Is(err, ErrNoSpace) {
			time.Sleep(time.Millisecond)
			continue
		} else if err != nil {
			return err
		}
		if _, err := fmt.Fprintln(said, round); err != nil {
			return err
		}
	}
}

// TestADiskThatIsFilled fills a small disk to its last byte, as fast as most disks take
// it, again and again beside a process that writes to an index on it without a pause: the
// process goes on, and can be stopped while the disk is full. Where this machine lets
// nobody mount a disk there is nothing to see here.
func TestADiskThatIsFilled(t *testing.T) {
	disk := t.TempDir()
	if out, err := exec.Command("mount", "-t", "tmpfs", "-o", "size=768m", "none", disk).CombinedOutput(); err != nil {
		t.Skipf("no disk can be mounted here: %s", bytes.TrimSpace(out))
	}
	defer func() { require.NoError(t, exec.Command("umount", disk).Run()) }()
	var told bytes.Buffer
	child := exec.Command(os.Args[0])
	child.Env = append(os.Environ(), fillVariable+"="+filepath.Join(disk, "index"))
	child.Stderr = &told
	in, err := child.StdinPipe()
	require.NoError(t, err)
	var made lines
	child.Stdout = &made
	require.NoError(t, child.Start())
	ended := make(chan error, 1)
	go func() { ended <- child.Wait() }()
	filler := filepath.Join(disk, "filler")
	rounds := testrun.Rounds(1, 5, 100)
	for round := range rounds {
		before := made.Load()
		for made.Load() == before { // nothing is shown by filling a disk that nobody writes to
			select {
			case err := <-ended:
				t.Fatalf("round %d: %v: %.3000s", round, err, told.Bytes())
			case <-time.After(time.Millisecond):
			}
		}
		time.Sleep(time.Duration(50+rand.IntN(300)) * time.Millisecond)
		fill(t, filler, 400)
		time.Sleep(20 * time.Millisecond)
		if round < rounds-1 { // the last one stays
			require.NoError(t, os.Remove(filler))
		}
	}
	require.NoError(t, in.Close())
	require.NoError(t, <-ended, "%.3000s", &told)
	t.Logf("%d updates", made.Load())
}

// lines counts the lines that are written to it.
type lines struct{ atomic.Int64 }

func (l *lines) Write(p []byte) (int, error) {
	l.Add(int64(bytes.Count(p, []byte("\n"))))
	return len(p), nil
}

// fill writes a file at some MiB a second until the disk takes no more.
func fill(t *testing.T, path string, mibSecond int) {
	f, err := os.Create(path)
	require.NoError(t, err)
	piece := make([]byte, 1<<20)
	began := time.Now()
	for n := 0; err == nil; n++ {
		time.Sleep(time.Duration(n)*time.Second/time.Duration(mibSecond) - time.Since(began))
		_, err = f.Write(piece)
	}
	require.NoError(t, f.Close())
}
