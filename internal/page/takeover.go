package page

import (
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"mime/multipart"
	"net/http"
	"sync"
	"time"

	"thawtrail/internal/handover"
	"thawtrail/internal/parcel"
	"thawtrail/internal/refusal"
	"thawtrail/internal/service"
	pb "thawtrail/proto/thawtrail/v1"
)

// takeOverMore is the page on which a second laptop takes a case over.
type takeOverMore struct {
	Rows      []string // as typed
	Dam, Mark string
	Says      []string // what the code says, once it was read
	Said      string   // why the code was refused
	FileSaid  string   // why the file was refused
	Lacking   []string
	RequestID string
}

// TakeOverPath is where a case is taken over.
const takeOverPath = "/takeover"

// takeOver serves the page, and reads a code: first to say what it says, then,
// once that was compared with the other screen, to take the case over.
func takeOver(req *Request) error {
	m := &takeOverMore{RequestID: newRequestID(), Rows: make([]string, handover.Rows)}
	if req.Method != http.MethodPost {
		return showTakeOver(req, m)
	}
	ask := &pb.TakeOverRequest{Dam: req.PostForm.Get("dam"), Mark: req.PostForm.Get("mark"), Look: req.PostForm.Get("compared") == ""}
	for i := range m.Rows {
		m.Rows[i] = req.PostForm.Get(fmt.Sprintf("row%d", i+1))
		ask.Code += m.Rows[i] + "\n"
	}
	m.Dam, m.Mark = ask.Dam, ask.Mark
	if id := req.PostForm.Get("request_id"); len(id) <= 50 {
		ask.RequestId, m.RequestID = id, id
	}
	ask.Author = req.writer()
	out, err := req.Site.Records.TakeOver(req.Context(), req.actor(), ask)
	if ref, ok := service.Refusal(err); ok {
		m.Said, req.Code = ref.Error(), http.StatusUnprocessableEntity
		return showTakeOver(req, m)
	}
	if err != nil {
		return err
	}
	if ask.Look {
		m.Says = out.Says
		return showTakeOver(req, m)
	}
	return req.redirect("/case/" + out.Case + "/run")
}

func showTakeOver(req *Request, m *takeOverMore) error {
	return req.render("takeover", say("adopt.title"), "barn", m)
}

// takeFile reads a file of records and, when a case came with it, takes it over.
func takeFile(req *Request) error {
	// A stick is slow, and the file as large as the practice is old.
	_ = http.NewResponseController(req.W).SetReadDeadline(time.Time{})
	m := &takeOverMore{RequestID: newRequestID(), Rows: make([]string, handover.Rows)}
	out, err := readFile(req)
	ref, refused := service.Refusal(err)
	switch {
	case errors.Is(err, errToken):
		req.fail(http.StatusForbidden, say("trouble.token"))
		return nil
	case refused:
		m.FileSaid, req.Code = ref.Error(), http.StatusUnprocessableEntity
		return showTakeOver(req, m)
	case err != nil:
		return err
	}
	if out.Case == "" {
		req.tell(say("adopt.read", out.RecordsNew, out.WrittenBy))
		return req.redirect(takeOverPath)
	}
	from, _ := hex.DecodeString(out.Device) // our own service wrote it
	saved, err := req.writeOne("", "case_adopted", &pb.CaseAdopted{Case: out.Case, Way: pb.AdoptedBy_ADOPTED_BY_FILE, FromDevice: from})
	if ref, ok := service.Refusal(err); ok {
		m.FileSaid, req.Code = ref.Error(), http.StatusUnprocessableEntity
		return showTakeOver(req, m)
	}
	if err != nil {
		return err
	}
	req.saved(saved)
	return req.redirect("/case/" + out.Case + "/run")
}

var errToken = errors.New("a form without the session's token")

// maxPart bounds a part of the form that is no file.
const maxPart = 1 << 10

// readFile takes the parts of the form in their order: token, code, file.
func readFile(req *Request) (*pb.ReadBooksResponse, error) {
	parts, err := req.MultipartReader()
	if err != nil {
		return nil, errToken
	}
	token, err := partText(parts, "token")
	if err != nil || !req.proves(token) {
		return nil, errToken
	}
	text, err := partText(parts, "code")
	if err != nil {
		return nil, err
	}
	code, err := parcel.ParseCode(text)
	if err != nil {
		return nil, err
	}
	file, err := parts.NextPart()
	if err != nil || file.FormName() != "file" || file.FileName() == "" {
		return nil, refusal.New("file", "", "a file from the stick")
	}
	return req.Site.Replica.ReadUpload(req.Context(), code, func() ([]byte, error) {
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
}

// Sticks are the codes of files that are offered, by the file's name.
type Sticks struct {
	mu    sync.Mutex
	codes map[string]parcel.Code
}

// maxSticks bounds the codes that wait for their file to be written.
const maxSticks = 16

// offer keeps a code and names its file.
func (s *Sticks) offer(code parcel.Code) (name string) {
	name = newRequestID()
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.codes == nil || len(s.codes) >= maxSticks {
		s.codes = map[string]parcel.Code{}
	}
	s.codes[name] = code
	return name
}

func (s *Sticks) of(name string) (parcel.Code, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	code, ok := s.codes[name]
	return code, ok
}

// Show draws a code and offers the file. The code is in no address.
func (s *Sticks) Show(req *Request) error {
	cv, err := caseOf(req, req.PathValue("case"))
	if err != nil {
		return err
	}
	code, err := parcel.NewCode(req.Site.Replica.Random)
	if err != nil {
		return err
	}
	return req.renderCase("stick", say("stick.title"), "barn", &cv.Header, &stickMore{code.Text(), "/case/" + cv.ID + "/stick/" + s.offer(code), cv.Patient.Line})
}

// Send writes the file into the answer.
func (s *Sticks) Send(req *Request) error {
	cv, err := caseOf(req, req.PathValue("case"))
	if err != nil {
		return err
	}
	code, ok := s.of(req.PathValue("name"))
	if !ok {
		return req.redirect("/case/" + cv.ID + "/stick")
	}
	_ = http.NewResponseController(req.W).SetWriteDeadline(time.Time{})
	req.W.Header().Set("Content-Type", "application/octet-stream")
	req.W.Header().Set("Content-Disposition", `attachment; filename="thawtrail-`+cv.ID+`.books"`)
	if _, err := req.Site.Replica.WriteBooks(req.Context(), req.W, code, cv.ID); err != nil {
		req.Site.Log.Error("write a file of records", "error", err)
		panic(http.ErrAbortHandler) // half a file must not look like a whole one
	}
	return nil
}
