package demo

import (
	"bufio"
	"net"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"thawtrail/internal/clock"
)

func newManual() *clock.Manual {
	return clock.NewManual(time.Date(2026, 11, 24, 17, 10, 0, 0, time.UTC))
}

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
	w, err := newWire(echo(t))
	require.NoError(t, err)
	defer w.close()
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
		conn, err := net.Dial("tcp", w.address())
		require.NoError(t, err)
		t.Cleanup(func() { conn.Close() })
		return conn
	}
	conn := open()
	require.NoError(t, says(conn))
	require.Equal(t, int64(1), w.passed.Load())
	w.cut()
	require.Error(t, says(conn), "an open connection breaks")
	// A new one is dropped, at once or at its first word.
	if conn, err := net.Dial("tcp", w.address()); err == nil {
		require.Error(t, says(conn), "a new one is dropped")
		require.NoError(t, conn.Close())
	}
	require.Equal(t, int64(1), w.refused.Load())
	w.restore()
	require.Error(t, says(conn), "what broke stays broken")
	require.NoError(t, says(open()))
	require.Equal(t, int64(1), w.passed.Load())
}
