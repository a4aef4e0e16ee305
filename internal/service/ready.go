package service

import (
	"fmt"
	"net"
	"os"
)

// notifySocket names the socket at which systemd waits for word (sd_notify(3)).
const notifySocket = "NOTIFY_SOCKET"

// Ready tells the system that the program answers, where it waits for that.
func Ready() error {
	path := os.Getenv(notifySocket)
	if path == "" {
		return nil
	}
	conn, err := net.Dial("unixgram", path) // #nosec G704 -- the system that started the service names it
	if err != nil {
		return fmt.Errorf("tell the system that all answers: %w", err)
	}
	defer conn.Close()
	if _, err := conn.Write([]byte("READY=1")); err != nil {
		return fmt.Errorf("tell the system that all answers: %w", err)
	}
	return nil
}
