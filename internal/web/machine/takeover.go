package machine

import (
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"mime/multipart"
	"net/http"
	"sync"
	"time"

	"thawtrail/internal/bundle"
	"thawtrail/internal/handover"
	"thawtrail/internal/refusal"
	"thawtrail/internal/replication"
	"thawtrail/internal/web/caseview"
	"thawtrail/internal/web/form"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// takeOverMore is the page on which a second laptop takes a case over.
type takeOverMore struct {
	Rows      []codeRow
	Dam, Mark string
	Says      []string // what the code says, once it was read
	Cautions  []string // what is to be thought of first
	Said      string   // why the code was refused
	FileSaid  string   // why the file was refused
	RequestID string
}

// codeRow is one row of a code, as typed.
type codeRow struct {
	Number int
	Typed  string
}

// newTakeOver is the empty page.
func newTakeOver() *takeOverMore {
	m := &takeOverMore{RequestID: site.NewRequestID()}
	for i := range handover.Rows {
		m.Rows = append(m.Rows, codeRow{Number: i + 1})
	}
	return m
}

// TakeOverPath is where a case is taken over.
const TakeOverPath = "/takeover"

// TakeOver serves the page, and reads a code: first to say what it says, then,
// once that was compared with the other screen, to take the case over.
func TakeOver(req *site.Request) error {
	m := newTakeOver()
	if req.Method != http.MethodPost {
		return showTakeOver(req, m)
	}
	ask := &pb.TakeOverRequest{Dam: req.PostForm.Get("dam"), Mark: req.PostForm.Get("mark"), Look: req.PostForm.Get("compared") == ""}
	for i := range m.Rows {
		row := &m.Rows[i]
		row.Typed = req.PostForm.Get(fmt.Sprintf("row%d", row.Number))
		ask.Code += row.Typed + "\n"
	}
	m.Dam, m.Mark = ask.Dam, ask.Mark
	if id := req.PostForm.Get("request_id"); len(id) <= 50 {
		ask.RequestId, m.RequestID = id, id
	}
	ask.Author = form.Author(req)
	out, err := req.Site.Records.TakeOver(req.Context(), req.Actor(), ask)
	if ref, ok := refusal.As(err); ok {
		m.Said, req.Code = ref.Error(), http.StatusUnprocessableEntity
		return showTakeOver(req, m)
	}
	if err != nil {
		return err
	}
	if ask.Look {
		m.Says, m.Cautions = out.Says, out.Cautions
		return showTakeOver(req, m)
	}
	return req.Redirect("/case/" + out.Case + "/run")
}

func showTakeOver(req *site.Request, m *takeOverMore) error {
	return req.Render("takeover", words.Say("adopt.title"), "barn", m)
}

// TakeFile reads a file of records and, when a case came with it, takes it over.
func TakeFile(req *site.Request) error {
	// A stick is slow, and the file as large as the practice is old.
	_ = http.NewResponseController(req.W).SetReadDeadline(time.Time{})
	m := newTakeOver()
	out, err := readFile(req)
	ref, refused := refusal.As(err)
	switch {
	case errors.Is(err, errToken):
		req.Fail(http.StatusForbidden, words.Say("trouble.token"))
		return nil
	case refused:
		m.FileSaid, req.Code = ref.Error(), http.StatusUnprocessableEntity
		return showTakeOver(req, m)
	case err != nil:
		return err
	}
	if out.Case == "" {
		req.Tell(words.Say("adopt.read", out.RecordsNew, out.WrittenBy))
		return req.Redirect(TakeOverPath)
	}
	from, _ := hex.DecodeString(out.Device) // our own service wrote it
	saved, err := form.Write(req, "", "case_adopted", &pb.CaseAdopted{Case: out.Case, Way: pb.AdoptedBy_ADOPTED_BY_FILE, FromDevice: from})
	if ref, ok := refusal.As(err); ok {
		m.FileSaid, req.Code = ref.Error(), http.StatusUnprocessableEntity
		return showTakeOver(req, m)
	}
	if err != nil {
		return err
	}
	req.Saved(saved)
	return req.Redirect("/case/" + out.Case + "/run")
}

var errToken = errors.New("a form without the session's token")

// maxPart bounds a part of the form that is no file.
const maxPart = 1 << 10

// readFile takes the parts of the form in their order: token, code, file.
func readFile(req *site.Request) (*pb.ReadBooksResponse, error) {
	parts, err := req.MultipartReader()
	if err != nil {
		return nil, errToken
	}
	token, err := partText(parts, "token")
	if err != nil || !req.Proves(token) {
		return nil, errToken
	}
	text, err := partText(parts, "code")
	if err != nil {
		return nil, err
	}
	code, err := bundle.ParseCode(text)
	if err != nil {
		return nil, err
	}
	file, err := parts.NextPart()
	if err != nil || file.FormName() != "file" || file.FileName() == "" {
		return nil, refusal.New("file", "", "a file from the stick")
	}
	return replication.Bundles{Replica: req.Site.Replica}.ReadPieces(req.Context(), code, func() ([]byte, error) {
		b := make([]byte, 64<<10)
		n, err := file.Read(b)
		if n > 0 && errors.Is(err, io.EOF) {
			err = nil
		}
		return b[:n], err
	})
}

func partText(parts *multipart.Reader, name string) (string, error) {
	part, err := parts.NextPart()
	if err != nil || part.FormName() != name {
		return "", refusal.New(name, "", "the form of the page")
	}
	text, err := io.ReadAll(io.LimitReader(part, maxPart))
	return string(text), err
}

// stickMore is a file of a case to be carried to another laptop.
type stickMore struct {
	Code, Address, Patient string
	Omitted                []string // what cannot be read here
}

// Sticks are the codes of files that are offered, by the file's name.
type Sticks struct {
	mu    sync.Mutex
	codes map[string]bundle.Code
}

// maxSticks bounds the codes that wait for their file to be written.
const maxSticks = 16

// offer keeps a code and names its file.
func (s *Sticks) offer(code bundle.Code) (name string) {
	name = site.NewRequestID()
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.codes == nil || len(s.codes) >= maxSticks {
		s.codes = map[string]bundle.Code{}
	}
	s.codes[name] = code
	return name
}

func (s *Sticks) of(name string) (bundle.Code, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	code, ok := s.codes[name]
	return code, ok
}

// Show draws a code and offers the file. The code is in no address.
func (s *Sticks) Show(req *site.Request) error {
	cv, err := caseview.Of(req, req.PathValue("case"))
	if err != nil {
		return err
	}
	code, err := bundle.NewCode(req.Site.Replica.Random)
	if err != nil {
		return err
	}
	omitted, err := replication.Bundles{Replica: req.Site.Replica}.Omitted()
	if err != nil {
		return err
	}
	return req.RenderCase("stick", words.Say("stick.title"), "barn", &cv.Header, &stickMore{
		Code: code.Text(), Address: "/case/" + cv.ID + "/stick/" + s.offer(code), Patient: cv.Patient.Line,
		Omitted: omitted,
	})
}

// Send writes the file into the answer.
func (s *Sticks) Send(req *site.Request) error {
	cv, err := caseview.Of(req, req.PathValue("case"))
	if err != nil {
		return err
	}
	code, ok := s.of(req.PathValue("name"))
	if !ok {
		return req.Redirect("/case/" + cv.ID + "/stick")
	}
	s.write(req, code, req.FileName(cv.ID+".books"), cv.ID)
	return nil
}
