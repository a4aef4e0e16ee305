package query

import (
	"cmp"
	"context"
	"maps"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/refusal"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// GetBalance adds up, for a span of days, what there was, what came, what went and what
// is left, by month, place or product. It is a sum over the moves of every bag
// (ledger.Move), each of which ends where the next begins: so it ties out whatever was
// entered late, out of order or corrected, and a figure changes only with the records
// behind it. By vet it tells what each brought in, gave and threw away: a bag in stock is
// nobody's.
func (s Reader) GetBalance(ctx context.Context, req *pb.GetBalanceRequest) (*pb.GetBalanceResponse, error) {
	out := &pb.GetBalanceResponse{}
	err := s.View(ctx, func(b *ReadView) error {
		if err := event.Typed(req); err != nil {
			return err
		}
		out.Freshness = b.freshness()
		if b.practice != nil {
			out.Currency = b.practice.Currency
		}
		sum, err := b.newBalance(req)
		if err != nil {
			return err
		}
		out.From, out.Until = b.At(sum.from), b.At(sum.until)
		if err := sum.read(); err != nil {
			return err
		}
		out.Rows, out.Ties = sum.list()
		out.Closings, err = b.closings(sum.span)
		return err
	})
	return out, err
}

// Ways of grouping a balance.
const (
	byMonth   = "month"
	byPlace   = "place"
	byProduct = "product"
	byVet     = "vet"
	byPlaceID = "place of a month" // a closed month's figures
)

// balance is a balance while it is added up.
type balance struct {
	span
	b      *ReadView
	by     string
	names  bool
	parts  []part
	rows   map[string]*balanceRow
	counts map[string]*placeCount // by place, the last in the span
}

// part is a stretch of the span that has rows of its own: each month, or all of it.
type part struct {
	span
	name string
}

type balanceRow struct {
	*pb.BalanceRow
	lines    map[way]*pb.BalanceLine
	unpriced map[string]bool // bags without a price
}

// way is what one line of a balance is about.
type way struct {
	out    bool
	how    string
	reason pb.DiscardReason
}

// placeCount is a count of a place: what was seen, and what the books have for then.
type placeCount struct {
	ledger.LineCount
	seen, book int32
}

// Moves from one place to another, as the two places see them.
const (
	movedIn  = "moved_in"
	movedOut = "moved_out"
)

func (b *ReadView) newBalance(req *pb.GetBalanceRequest) (*balance, error) {
	if !slices.Contains([]string{"", byMonth, byPlace, byProduct, byVet}, req.By) {
		return nil, refusal.New("by", req.By, "month, place, product, vet, or nothing for the whole practice")
	}
	in, err := b.days(req.From, cmp.Or(req.To, req.From))
	if err != nil {
		return nil, err
	}
	s := &balance{b: b, by: req.By, names: req.Bags, span: in, rows: map[string]*balanceRow{}, counts: map[string]*placeCount{}}
	s.parts, err = s.partsOf(in)
	return s, err
}

// maxBalanceMonths bounds a balance by month.
const maxBalanceMonths = 120

// partsOf cuts a span into its months when it is asked for by month.
func (s *balance) partsOf(in span) (out []part, err error) {
	if s.by != byMonth {
		return []part{{in, "practice"}}, nil
	}
	for from := in.from.In(s.b.zone); from.Before(in.until); {
		next := time.Date(from.Year(), from.Month()+1, 1, 0, 0, 0, 0, s.b.zone)
		if in.until.Before(next) {
			next = in.until
		}
		p := part{span{from, next}, from.Format("2006-01")}
		s.row(p.name)
		if out = append(out, p); len(out) > maxBalanceMonths {
			return nil, refusal.New("to", s.b.At(in.until), "at most ten years by month")
		}
		from = next
	}
	return out, nil
}

// read goes through the lines of all bags: once for the sums, and by place once more for
// what the books have for the moments at which somebody counted.
func (s *balance) read() error {
	err := s.b.eachBag(func(bag *ledger.BagLine, books *ledger.BagBooks) error {
		for _, p := range s.parts {
			s.add(p, bag, books)
		}
		if s.by == byPlace {
			s.noteCounts(books)
		}
		return nil
	})
	if err != nil || len(s.counts) == 0 {
		return err
	}
	return s.b.eachBag(func(_ *ledger.BagLine, books *ledger.BagBooks) error {
		s.compare(books)
		return nil
	})
}

// add puts what happened to one bag in a part of the span into the rows that it concerns.
func (s *balance) add(p part, bag *ledger.BagLine, books *ledger.BagBooks) {
	fromMs, untilMs := p.from.UnixMilli(), p.until.UnixMilli()
	for _, m := range books.Moves {
		if p.has(m.AtMs) {
			s.move(p, bag, m)
		}
	}
	if s.by != byVet {
		ml := volumeOf(bag)
		if at, in := books.Before(fromMs); in {
			row := s.rowOf(p, bag, at, "")
			row.Opening, row.OpeningMl = row.Opening+1, row.OpeningMl+ml
			s.number(&row.OpeningNumbers, bag)
		}
		if at, in := books.Before(untilMs); in {
			row := s.rowOf(p, bag, at, "")
			row.Closing, row.ClosingMl = row.Closing+1, row.ClosingMl+ml
			s.number(&row.ClosingNumbers, bag)
		}
	}
	s.mls(p, bag, books)
}

// mls adds what ran into patients, what still ran at the end, and what was thrown away.
func (s *balance) mls(p part, bag *ledger.BagLine, books *ledger.BagBooks) {
	for _, d := range books.Doses {
		if p.has(d.AtMs) {
			s.rowOf(p, bag, d.Place, d.Author).GivenMl += int64(d.Ml)
		}
		if untilMs := p.until.UnixMilli(); d.AtMs < untilMs && (!d.Ended || d.EndMs >= untilMs) {
			s.rowOf(p, bag, d.Place, d.Author).InUse++
		}
	}
	for _, t := range books.Thrown {
		if p.has(t.AtMs) {
			s.rowOf(p, bag, books.LeftFrom(t.AtMs), t.Author).ThrownMl += thrownMl(bag, books, t)
		}
	}
}

// thrownMl is what was told to be thrown away; nothing told of a whole bag: all of it.
func thrownMl(bag *ledger.BagLine, books *ledger.BagBooks, t ledger.Thrown) int64 {
	switch {
	case t.Ml != nil:
		return int64(*t.Ml)
	case len(books.Doses) > 0 && books.Doses[0].AtMs <= t.AtMs:
		return 0 // nobody told how much the rest was
	}
	return volumeOf(bag)
}

// move puts one move into the line of the row, or of the two rows, that it concerns.
func (s *balance) move(p part, bag *ledger.BagLine, m ledger.LineMove) {
	switch {
	case m.Was && m.Is:
		if (s.by == byPlace || s.by == byPlaceID) && m.From != m.To {
			s.line(s.rowOf(p, bag, m.From, ""), bag, way{out: true, how: movedOut})
			s.line(s.rowOf(p, bag, m.To, ""), bag, way{how: movedIn})
		}
	case m.Is:
		s.line(s.rowOf(p, bag, m.To, m.Author), bag, way{how: m.How})
	case m.Was:
		s.line(s.rowOf(p, bag, m.From, m.Author), bag, way{out: true, how: m.How, reason: m.Reason})
	}
}

// line counts a bag in one line of a row.
func (s *balance) line(row *balanceRow, bag *ledger.BagLine, w way) {
	l := row.lines[w]
	if l == nil {
		l = &pb.BalanceLine{Way: w.how, Out: w.out}
		if w.reason != pb.DiscardReason_DISCARD_REASON_UNSPECIFIED {
			l.Reason = wording.Code(w.reason)
		}
		row.lines[w] = l
	}
	l.Bags++
	l.VolumeMl += volumeOf(bag)
	if bag.Label != nil && bag.Label.CostMinor != nil {
		l.CostMinor += *bag.Label.CostMinor
	} else {
		row.Unpriced++
		row.unpriced[strings.Clone(bag.ID)] = true
	}
	s.number(&l.Numbers, bag)
}

// number names a bag where that is asked for.
func (s *balance) number(numbers *[]string, bag *ledger.BagLine) {
	if s.names && len(*numbers) < MaxRows {
		*numbers = append(*numbers, bagText(bag.ID))
	}
}

func volumeOf(bag *ledger.BagLine) int64 {
	if bag.Label == nil {
		return 0
	}
	return int64(bag.Label.VolumeMl)
}

// noteCounts keeps the last count of each place in the span, with the bags it saw.
func (s *balance) noteCounts(books *ledger.BagBooks) {
	for _, c := range books.Counts {
		if !s.has(c.AtMs) {
			continue
		}
		last := s.counts[c.Place]
		if last == nil || cmp.Or(cmp.Compare(last.AtMs, c.AtMs), cmp.Compare(last.Record.String(), c.Record.String())) < 0 {
			last = &placeCount{LineCount: c}
			s.counts[c.Place] = last
		}
		if last.Record == c.Record && c.Seen {
			last.seen++
		}
	}
}

// compare asks where the books have a bag at the moments of the counts.
func (s *balance) compare(books *ledger.BagBooks) {
	for place, c := range s.counts {
		if at, in := books.Before(c.AtMs + 1); in && at == place {
			c.book++
		}
	}
}

// rowOf is the row of a month, a place, a product, a person, or the practice.
func (s *balance) rowOf(p part, bag *ledger.BagLine, place, author string) *balanceRow {
	switch s.by {
	case byPlace:
		return s.row(s.placeName(place))
	case byPlaceID:
		return s.row(p.name + "/" + place)
	case byProduct:
		if bag.Label == nil {
			return s.row("product not known")
		}
		return s.row(s.b.Name(event.KindProduct, bag.Label.Product))
	case byVet:
		return s.row(s.b.Person(author))
	}
	return s.row(p.name)
}

func (s *balance) placeName(place string) string {
	return cmp.Or(s.b.Name(event.KindPlace, place), "place not known")
}

func (s *balance) row(name string) *balanceRow {
	if s.rows[name] == nil {
		s.rows[name] = &balanceRow{&pb.BalanceRow{Group: name}, map[way]*pb.BalanceLine{}, map[string]bool{}}
	}
	return s.rows[name]
}

// list is the rows by name, what came before what went, and says whether all add up.
func (s *balance) list() (out []*pb.BalanceRow, ties bool) {
	for _, place := range slices.Sorted(maps.Keys(s.counts)) {
		c := s.counts[place]
		row := s.row(s.placeName(place))
		row.Counted, row.Difference, row.CountedAt = proto.Int32(c.seen), proto.Int32(c.seen-c.book), s.b.Stamp(c.AtMs)
	}
	ties = true
	for _, name := range slices.Sorted(maps.Keys(s.rows)) {
		row := s.rows[name]
		for _, w := range slices.SortedFunc(maps.Keys(row.lines), compareWays) {
			row.Lines = append(row.Lines, row.lines[w])
			row.name(w)
		}
		row.Book, row.WithoutPrice = row.Closing, int32(len(row.unpriced))
		ties = ties && (s.by == byVet || row.ties())
		out = append(out, row.BalanceRow)
	}
	return out, ties
}

// name counts a line in the field of its name, and in what it cost.
func (r *balanceRow) name(w way) {
	l := r.lines[w]
	m := r.ProtoReflect()
	if f := m.Descriptor().Fields().ByName(protoreflect.Name(w.how)); f != nil {
		m.Set(f, protoreflect.ValueOfInt32(int32(m.Get(f).Int())+l.Bags))
	}
	switch {
	case !w.out:
	case w.how == ledger.EndGiven:
		r.CostMinor += l.CostMinor
	case w.how == ledger.EndDiscarded || w.how == ledger.EndMissing:
		r.WasteMinor += l.CostMinor
	}
	if w.reason == pb.DiscardReason_DISCARD_REASON_THAWED_NOT_USED {
		r.ThawedNotUsed += l.Bags
	}
}

// ties says that what was there and what came, less what went, is what is there.
func (r *balanceRow) ties() bool {
	bags, ml := r.Opening, r.OpeningMl
	for _, l := range r.Lines {
		sign := int32(1)
		if l.Out {
			sign = -1
		}
		bags, ml = bags+sign*l.Bags, ml+int64(sign)*l.VolumeMl
	}
	return bags == r.Closing && ml == r.ClosingMl
}

func compareWays(x, y way) int {
	if x.out != y.out {
		if y.out {
			return -1
		}
		return 1
	}
	return cmp.Or(cmp.Compare(x.how, y.how), cmp.Compare(x.reason, y.reason))
}
