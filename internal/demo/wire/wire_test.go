package wire

import (
	"bufio"
	"bytes"
	"io"
	"net"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

// echo answers every line with itself.
func echo(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer conn.Close()
				for lines := bufio.NewScanner(conn); lines.Scan(); {
					if _, err := conn.Write(append(lines.Bytes(), '\n')); err != nil {
						return
					}
				}
			}()
		}
	}()
	return l.Addr().String()
}

// TestWire passes bytes on, passes none while it is cut, and again afterwards.
func TestWire(t *testing.T) {
	before := goleak.IgnoreCurrent()
	t.Cleanup(func() { goleak.VerifyNone(t, before) })
	w, err := New(echo(t))
	require.NoError(t, err)
	defer w.Close()
	says := func(conn net.Conn) error {
		if _, err := conn.Write([]byte("foal\n")); err != nil {
			return err
		}
		line, err := bufio.NewReader(conn).ReadString('\n')
		if err == nil {
			require.Equal(t, "foal\n", line)
		}
		return err
	}
	open := func() net.Conn {
		conn, err := net.Dial("tcp", w.Address())
		require.NoError(t, err)
		t.Cleanup(func() { conn.Close() })
		return conn
	}
	conn := open()
	require.NoError(t, says(conn))
	require.Equal(t, int64(1), w.Passed())
	w.Cut()
	require.Error(t, says(conn), "an open connection breaks")
	// A new one is dropped, at once or at its first word.
	if conn, err := net.Dial("tcp", w.Address()); err == nil {
		require.Error(t, says(conn), "a new one is dropped")
		require.NoError(t, conn.Close())
	}
	require.Equal(t, int64(1), w.Refused())
	w.Restore()
	require.Error(t, says(conn), "what broke stays broken")
	require.NoError(t, says(open()))
	require.Equal(t, int64(1), w.Passed())
}

// TestIllness lets an illness begin in the middle of a connection.
func TestIllness(t *testing.T) {
	w, err := New(echo(t))
	require.NoError(t, err)
	defer w.Close()
	conn, err := net.Dial("tcp", w.Address())
	require.NoError(t, err)
	defer conn.Close()
	heard := bufio.NewReader(conn)
	say := func() (string, error) {
		_, err := conn.Write([]byte("foal\n"))
		require.NoError(t, err)
		require.NoError(t, conn.SetReadDeadline(time.Now().Add(200*time.Millisecond)))
		return heard.ReadString('\n')
	}
	w.Suffer(func(to io.Writer, piece []byte) error {
		_, err := to.Write(bytes.ToUpper(piece))
		return err
	})
	line, err := say()
	require.NoError(t, err)
	require.Equal(t, "FOAL\n", line)
	w.Suffer(nil)
	line, err = say()
	require.NoError(t, err)
	require.Equal(t, "foal\n", line)
	w.Suffer(func(io.Writer, []byte) error { return ErrSilent })
	_, err = say()
	require.ErrorIs(t, err, os.ErrDeadlineExceeded)
	w.Suffer(nil)
	_, err = say()
	require.ErrorIs(t, err, os.ErrDeadlineExceeded, "what fell silent stays so")
}
