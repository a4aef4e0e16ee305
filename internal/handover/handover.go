package handover

import (
	"crypto/sha256"
	"fmt"
	"strings"
	"time"

	"thawtrail/internal/label"
	"thawtrail/internal/refusal"
	"thawtrail/internal/trust/transcript"
)

// Rows and their length, check character included.
const (
	Rows     = 4
	RowChars = 14
)

const (
	version   = 2
	firstRows = 3 // of a code of version 1, and of what every version begins with
	charBits  = 5
	none13    = 1<<13 - 1
	none8     = 1<<8 - 1
	// aheadMin is how far a start may lie after the reader's clock.
	aheadMin = 120
	minuteMs = 60_000
)

// Sheet is a running case, as far as a code holds it. Times are milliseconds since
// 1970, to the minute; 0 for none.
type Sheet struct {
	Case         string
	Bag          string // our bag number
	WeightG      int32  // to 100 g; 0 for none
	GivenMl      *int32 // of this bag as last read off it
	BeforeMl     int32  // of earlier bags of the case
	MlPerH       *int32
	StartedMs    int64
	SetMs        int64
	ReadMs       int64
	NextVitalsMs int64
	Reaction     bool
	SlowStage    bool
	Clamped      bool
	MadeMs       int64 // when the code was made; 0 in a code of version 1
	VitalsMs     int64 // of Vitals
	Vitals       Look  // the last look
	Baseline     Look  // what alarms compare with
	// Rehearsal: the case is not real. Programs that are older than rehearsals refuse its
	// code as one of another version.
	Rehearsal bool
}

// field is one number of the code.
type field struct {
	name string
	bits int
}

var layout = []field{
	{"version", 3}, {"case", 50}, {"bag", 40}, {"weight", 14}, {"given", 13}, {"before", 13}, {"rate", 13},
	{"started", 11}, {"set", 8}, {"read", 8}, {"vitals", 8}, {"flags", 3}, {"words", 10}, {"rehearsal", 1},
}

// layouts are the numbers of each version. A code that is shown once is typed for ever:
// what an older program made is read as long as its case runs.
var layouts = map[int]struct {
	version uint64
	fields  []field
}{firstRows: {1, layout}, Rows: {version, append(layout[:len(layout):len(layout)], lastRow...)}}

// Write makes the rows, each in groups of four, of a sheet and the words that are typed
// beside it. It refuses what does not fit.
func Write(s Sheet, dam, mark string) ([Rows]string, error) {
	var rows [Rows]string
	v, err := s.numbers()
	if err != nil {
		return rows, err
	}
	s.lastNumbers(v)
	v["words"] = wordCheck(dam, mark)
	chars := spell(layouts[Rows].fields, v)
	for r := range rows {
		body := chars[r*(RowChars-1) : (r+1)*(RowChars-1)]
		rows[r] = transcript.Groups(text(append(body[:len(body):len(body)], closing(body, byte(r+1)))))
	}
	return rows, nil
}

func (s *Sheet) numbers() (map[string]uint64, error) {
	id, okCase := number(s.Case, 10)
	bag, err := label.ParseBag(s.Bag)
	if err != nil || !okCase {
		return nil, refusal.Conflict("case", s.Case, "a case with a bag that runs, under our own numbers").Because("hand it over by a file")
	}
	body, _ := number(string(bag)[:8], 8)
	v := map[string]uint64{"version": version, "case": id, "bag": body, "weight": uint64((s.WeightG + 50) / 100), "before": uint64(s.BeforeMl), "given": none13, "rate": none13}
	if s.GivenMl != nil {
		v["given"] = uint64(*s.GivenMl)
	}
	if s.MlPerH != nil {
		v["rate"] = uint64(*s.MlPerH)
	}
	for name, most := range map[string]uint64{"weight": 1<<14 - 1, "before": none13, "given": none13, "rate": none13} {
		if v[name] > most {
			return nil, refusal.Conflict(name, v[name], fmt.Sprintf("at most %d in a code", most)).Because("hand the case over by a file")
		}
	}
	start := s.StartedMs / minuteMs
	v["started"] = uint64(start) & (1<<11 - 1)
	v["set"] = minutes(s.SetMs, start-s.SetMs/minuteMs)
	v["read"] = minutes(s.ReadMs, s.ReadMs/minuteMs-start)
	v["vitals"] = minutes(s.NextVitalsMs, s.NextVitalsMs/minuteMs-start)
	if s.Rehearsal {
		v["rehearsal"] = 1
	}
	for i, is := range []bool{s.Reaction, s.SlowStage, s.Clamped} {
		if is {
			v["flags"] |= 1 << i
		}
	}
	return v, nil
}

// minutes is a distance in minutes, or none8 when there is no time or it is out of
// reach.
func minutes(ms, distance int64) uint64 {
	if ms == 0 || distance < 0 || distance >= none8 {
		return none8
	}
	return uint64(distance)
}

// Read reads typed rows and checks the words that were typed beside them. now is
// the reading laptop's clock. A refusal names the row with the slip, or the words.
func Read(code, dam, mark string, now time.Time) (Sheet, error) {
	plain := transcript.Squeezed(code)
	n := len(plain) / RowChars
	form, known := layouts[n]
	if len(code) > 1000 || !known || len(plain)%RowChars != 0 {
		return Sheet{}, refusal.New("code", fmt.Sprintf("%d characters", len(plain)), fmt.Sprintf("%d rows of %d characters; %d rows from an older program", Rows, RowChars, firstRows))
	}
	var chars []byte
	for r := range n {
		row, err := values(plain[r*RowChars:(r+1)*RowChars], r)
		if err != nil {
			return Sheet{}, err
		}
		if weigh(row) != byte(r+1) {
			return Sheet{}, refusal.New(rowName(r), transcript.Groups(plain[r*RowChars:(r+1)*RowChars]), "the characters on the other screen").Because("one was misread, two were swapped, or it is another row")
		}
		chars = append(chars, row[:RowChars-1]...)
	}
	v := read(form.fields, chars)
	if v["version"] != form.version {
		return Sheet{}, refusal.New("code", "another version", "a code of this version of the program").Because("hand the case over by a file, or bring both laptops up to date")
	}
	if v["words"] != wordCheck(dam, mark) {
		return Sheet{}, refusal.New("dam", refusal.Shorten(dam+" / "+mark), "the dam's name and the mark as they stand beside the code").Because("the rows are right; a letter of these words is not")
	}
	return sheetOf(v, now)
}

func rowName(r int) string { return fmt.Sprintf("row %d of the code", r+1) }

func sheetOf(v map[string]uint64, now time.Time) (Sheet, error) {
	s := Sheet{
		Case: text(spellNumber(v["case"], 10)), WeightG: int32(v["weight"]) * 100, BeforeMl: int32(v["before"]),
		Reaction: v["flags"]&1 != 0, SlowStage: v["flags"]&2 != 0, Clamped: v["flags"]&4 != 0,
		Rehearsal: v["rehearsal"] != 0,
	}
	body := text(spellNumber(v["bag"], 8))
	check, _ := label.CheckCharacter(body)
	bag, err := label.ParseBag(body + string(check))
	if err != nil {
		return Sheet{}, refusal.New("code", "no bag number", "a code as it stands on the other screen").Because("two characters of one row were misread")
	}
	s.Bag = string(bag)
	s.GivenMl, s.MlPerH = known(v["given"]), known(v["rate"])
	latest := now.UnixMilli()/minuteMs + aheadMin
	start := latest - (latest-int64(v["started"]))&(1<<11-1)
	s.StartedMs = start * minuteMs
	at := func(name string, sign int64) int64 {
		if v[name] == none8 {
			return 0
		}
		return (start + sign*int64(v[name])) * minuteMs
	}
	s.SetMs, s.ReadMs, s.NextVitalsMs = at("set", -1), at("read", 1), at("vitals", 1)
	if v["version"] > 1 {
		s.MadeMs = at("made", 1)
		s.readLast(v)
	}
	return s, nil
}

func known(v uint64) *int32 {
	if v == none13 {
		return nil
	}
	return new(int32(v))
}

// spell writes the numbers as characters, most significant bit first.
func spell(fields []field, v map[string]uint64) []byte {
	var bits []byte
	for _, f := range fields {
		for i := f.bits - 1; i >= 0; i-- {
			bits = append(bits, byte(v[f.name]>>i&1))
		}
	}
	out := make([]byte, len(bits)/charBits)
	for i, b := range bits {
		out[i/charBits] = out[i/charBits]<<1 | b
	}
	return out
}

// read is the reverse of spell.
func read(fields []field, chars []byte) map[string]uint64 {
	v := map[string]uint64{}
	at := 0
	for _, f := range fields {
		for range f.bits {
			bit := chars[at/charBits] >> (charBits - 1 - at%charBits) & 1
			v[f.name] = v[f.name]<<1 | uint64(bit)
			at++
		}
	}
	return v
}

const alphabet = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"

func text(values []byte) string {
	out := make([]byte, len(values))
	for i, v := range values {
		out[i] = alphabet[v]
	}
	return string(out)
}

// values reads one row's characters.
func values(row string, r int) ([]byte, error) {
	out := make([]byte, len(row))
	for i := range len(row) {
		v := strings.IndexByte(alphabet, row[i])
		if v < 0 {
			return nil, refusal.New(rowName(r), fmt.Sprintf("character %d", i+1), "digits and letters other than I, L, O and U")
		}
		out[i] = byte(v)
	}
	return out, nil
}

// number reads n characters of base 32.
func number(chars string, n int) (v uint64, ok bool) {
	if len(chars) != n {
		return 0, false
	}
	for i := range n {
		at := strings.IndexByte(alphabet, chars[i])
		if at < 0 {
			return 0, false
		}
		v = v<<charBits | uint64(at)
	}
	return v, true
}

func spellNumber(v uint64, n int) []byte {
	out := make([]byte, n)
	for i := range n {
		out[n-1-i] = byte(v >> (charBits * i) & 31)
	}
	return out
}

// times multiplies in the field of 32 elements.
func times(a, b byte) (p byte) {
	for ; b > 0; b >>= 1 {
		if b&1 != 0 {
			p ^= a
		}
		if a <<= 1; a&32 != 0 {
			a ^= 0b100101
		}
	}
	return p
}

// weigh adds up a row, each character times its power of a.
func weigh(row []byte) (sum byte) {
	power := byte(1)
	for _, x := range row {
		sum ^= times(power, x)
		power = times(power, 2)
	}
	return sum
}

// closing is the last character of a row: with it the row weighs its number. Of 32
// characters exactly one does that.
func closing(body []byte, row byte) (c byte) {
	for weigh(append(body[:len(body):len(body)], c)) != row {
		c++
	}
	return c
}

// wordCheck is ten bits over the letters and digits of the words, in capitals.
func wordCheck(dam, mark string) uint64 {
	plain := plainWords(dam) + "0" + plainWords(mark)
	sum := sha256.Sum256([]byte("thawtrail handover words 1\x00" + plain))
	latin := strings.Map(func(r rune) rune {
		if r < 0x80 {
			return r
		}
		return -1
	}, plain)
	check, _ := label.CheckCharacter(latin) // of letters and digits there always is one
	return uint64(strings.IndexByte("0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ", check))<<4 | uint64(sum[0]>>4)
}

// plainWords leaves letters and digits, in capitals: how people space and join
// words is no slip.
func plainWords(words string) string {
	return strings.Map(func(r rune) rune {
		if r >= 0x80 || '0' <= r && r <= '9' || 'A' <= r && r <= 'Z' {
			return r
		}
		return -1
	}, strings.ToUpper(words))
}
