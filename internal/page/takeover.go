package page

import (
	"crypto/hmac"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"mime/multipart"
	"net/http"
	"time"

	"thawtrail/internal/handover"
	"thawtrail/internal/bundle"
	"thawtrail/internal/refusal"
	"thawtrail/internal/replication"
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

const (
	takeOverPath = "/takeover"
	uploadPath   = "/takeover/file"
)

// takeOver serves the page, and reads a code: first to say what it says, then,
// once that was compared with the other screen, to take the case over.
func (s *Site) takeOver(v *visit) error {
	m := &takeOverMore{RequestID: newRequestID(), Rows: make([]string, handover.Rows)}
	if v.r.Method != http.MethodPost {
		return v.showTakeOver(m)
	}
	req := &pb.TakeOverRequest{Dam: v.r.PostForm.Get("dam"), Mark: v.r.PostForm.Get("mark"), Look: v.r.PostForm.Get("compared") == ""}
	for i := range m.Rows {
		m.Rows[i] = v.r.PostForm.Get(fmt.Sprintf("row%d", i+1))
		req.Code += m.Rows[i] + "\n"
	}
	m.Dam, m.Mark = req.Dam, req.Mark
	if id := v.r.PostForm.Get("request_id"); len(id) <= 50 {
		req.RequestId, m.RequestID = id, id
	}
	req.Author = v.writer()
	out, err := s.records.TakeOver(v.r.Context(), v.hand(), req)
	if ref, ok := refusal.As(err); ok {
		m.Said, v.code = ref.Error(), http.StatusUnprocessableEntity
		return v.showTakeOver(m)
	}
	if err != nil {
		return err
	}
	if req.Look {
		m.Says = out.Says
		return v.showTakeOver(m)
	}
	return v.redirect("/case/" + out.Case + "/run")
}

func (v *visit) showTakeOver(m *takeOverMore) error {
	return v.render("takeover", say("adopt.title"), "barn", m)
}

// writer is who writes here; empty when that is not known: a case is taken over
// first and signed later.
func (v *visit) writer() string {
	req := &pb.WriteRequest{}
	if (&form{v: v}).author(req) != nil {
		return ""
	}
	return req.Author
}

// upload registers the one page that takes a file. Its form is read part by part,
// since a practice's books do not fit into memory: the session's token comes first.
func (s *Site) upload() {
	s.mux.HandleFunc("POST "+uploadPath, func(w http.ResponseWriter, r *http.Request) {
		sess := s.sessionOf(r)
		if sess == nil || sess.phone {
			s.turnAway(w, r)
			return
		}
		v := &visit{s: s, w: w, r: r, sess: sess, now: s.cfg.Clock.Now(), code: http.StatusOK}
		w.Header().Set("Cache-Control", "no-store")
		r.PostForm = map[string][]string{} // what lookUp asks of other forms is not in this one
		answered, err := v.lookUp()
		if err == nil && !answered {
			err = s.takeFile(v)
		}
		if err != nil {
			v.failWith(err)
		}
	})
}

// takeFile reads a file of records and, when a case came with it, takes it over.
func (s *Site) takeFile(v *visit) error {
	// A stick is slow, and the file as large as the practice is old.
	_ = http.NewResponseController(v.w).SetReadDeadline(time.Time{})
	m := &takeOverMore{RequestID: newRequestID(), Rows: make([]string, handover.Rows)}
	out, err := s.readFile(v)
	ref, refused := refusal.As(err)
	switch {
	case errors.Is(err, errToken):
		v.fail(http.StatusForbidden, say("trouble.token"))
		return nil
	case refused:
		m.FileSaid, v.code = ref.Error(), http.StatusUnprocessableEntity
		return v.showTakeOver(m)
	case err != nil:
		return err
	}
	if out.Case == "" {
		v.tell(say("adopt.read", out.RecordsNew, out.WrittenBy))
		return v.redirect(takeOverPath)
	}
	from, _ := hex.DecodeString(out.Device) // our own service wrote it
	saved, err := v.write("", "case_adopted", &pb.CaseAdopted{Case: out.Case, Way: pb.AdoptedBy_ADOPTED_BY_FILE, FromDevice: from})
	if ref, ok := refusal.As(err); ok {
		m.FileSaid, v.code = ref.Error(), http.StatusUnprocessableEntity
		return v.showTakeOver(m)
	}
	if err != nil {
		return err
	}
	v.saved(saved)
	return v.redirect("/case/" + out.Case + "/run")
}

var errToken = errors.New("a form without the session's token")

// maxPart bounds a part of the form that is no file.
const maxPart = 1 << 10

// readFile takes the parts of the form in their order: token, code, file.
func (s *Site) readFile(v *visit) (*pb.ReadBooksResponse, error) {
	parts, err := v.r.MultipartReader()
	if err != nil {
		return nil, errToken
	}
	token, err := partText(parts, "token")
	if err != nil || !hmac.Equal([]byte(token), []byte(s.token(v.sess))) {
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
	return replication.Bundles{Replica: s.cfg.Replica}.ReadPieces(v.r.Context(), code, func() ([]byte, error) {
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

// maxSticks bounds the codes that wait for their file to be written.
const maxSticks = 16

// showStick draws a code and offers the file. The code is in no address.
func (s *Site) showStick(v *visit) error {
	cv, err := v.caseOf(v.r.PathValue("case"))
	if err != nil {
		return err
	}
	code, err := bundle.NewCode(s.cfg.Replica.Random)
	if err != nil {
		return err
	}
	name := newRequestID()
	s.mu.Lock()
	if s.sticks == nil || len(s.sticks) >= maxSticks {
		s.sticks = map[string]bundle.Code{}
	}
	s.sticks[name] = code
	s.mu.Unlock()
	return v.renderCase("stick", say("stick.title"), "barn", &cv.aboutCase, &stickMore{code.Text(), "/case/" + cv.ID + "/stick/" + name, cv.patient.Line})
}

// sendStick writes the file into the answer.
func (s *Site) sendStick(v *visit) error {
	cv, err := v.caseOf(v.r.PathValue("case"))
	if err != nil {
		return err
	}
	s.mu.Lock()
	code, ok := s.sticks[v.r.PathValue("name")]
	s.mu.Unlock()
	if !ok {
		return v.redirect("/case/" + cv.ID + "/stick")
	}
	_ = http.NewResponseController(v.w).SetWriteDeadline(time.Time{})
	v.w.Header().Set("Content-Type", "application/octet-stream")
	v.w.Header().Set("Content-Disposition", `attachment; filename="thawtrail-`+cv.ID+`.books"`)
	if _, err := (replication.Bundles{Replica: s.cfg.Replica}).Write(v.r.Context(), v.w, code, cv.ID); err != nil {
		s.cfg.Log.Error("write a file of records", "error", err)
		panic(http.ErrAbortHandler) // half a file must not look like a whole one
	}
	return nil
}
