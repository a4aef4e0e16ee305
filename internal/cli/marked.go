package cli

import (
	"bytes"
	"io"

	"google.golang.org/grpc"

	"thawtrail/internal/rpc"
	"thawtrail/internal/say"
)

// dial reaches a program. When that is a rehearsal, all that is printed from then on
// says so in every line.
func (d *console) dial(target string, options ...grpc.DialOption) (*grpc.ClientConn, error) {
	return grpc.NewClient(target, append(options, rpc.HeedRehearsal(d.rehearses)...)...)
}

// rehearses marks what is printed from now on.
func (d *console) rehearses() {
	if d.rehearsal {
		return
	}
	d.rehearsal = true
	d.bare, d.out, d.err = d.out, newMarked(d.out), newMarked(d.err)
}

// marked writes the mark of a rehearsal before every line.
type marked struct {
	to      io.Writer
	mark    []byte
	midLine bool
}

func newMarked(to io.Writer) *marked {
	return &marked{to: to, mark: []byte(say.Text("rehearsal.mark") + " | ")}
}

// Write implements io.Writer.
func (m *marked) Write(p []byte) (int, error) {
	var out bytes.Buffer
	for _, line := range bytes.SplitAfter(p, []byte("\n")) {
		if len(line) == 0 {
			continue
		}
		if !m.midLine {
			out.Write(m.mark)
		}
		out.Write(line)
		m.midLine = line[len(line)-1] != '\n'
	}
	if _, err := m.to.Write(out.Bytes()); err != nil {
		return 0, err
	}
	return len(p), nil
}

// withMark is a JSON object with the mark as its first member: a line before it would
// make it something else than JSON.
func withMark(object []byte) []byte {
	body := bytes.TrimLeft(object, " \n\t{")
	if bytes.HasPrefix(body, []byte("}")) {
		return []byte(`{"rehearsal":true}`)
	}
	return append([]byte(`{"rehearsal":true,`), body...)
}
