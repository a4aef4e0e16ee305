package query

import (
	"strings"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/say"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// ofPractice tells what the practice says of itself and of its records; false when it
// is nothing of that, or a list of values tells it best.
func (w *teller) ofPractice(m proto.Message) bool {
	switch p := m.(type) {
	case *pb.NoteAdded:
		w.note(p)
	case *pb.Corrected:
		w.corrected(p)
	case *pb.Linked:
		w.linked(p)
	case *pb.Signed:
		w.begin(say.Text("tale.signed", len(p.Records)))
	case *pb.DiscrepancyExplained:
		w.begin(say.Text("tale.explained", strings.ReplaceAll(p.Kind, "_", " ")))
		if about := (event.Key{Kind: p.EntityKind, ID: p.Entity}); about != w.about {
			w.and(w.b.entityText(about))
		}
		w.and(quoted(p.Text))
	case *pb.PersonAdded:
		w.begin(say.Text("tale.person", p.Name))
		w.and(toldOf(p.Registration, func(t string) string { return say.Text("tale.registration", t) }))
	case *pb.PersonReached:
		w.begin(say.Text("tale.reached", w.b.Person(p.Person)))
	case *pb.PlaceAdded:
		w.begin(say.Text("tale.place", p.Name, wording.Enum(p.Kind)))
		w.and(w.b.Name(event.KindVehicle, p.Vehicle),
			maybe(p.WarmestDc, func(v int32) string { return say.Text("tale.warmest", w.b.Celsius(v)) }),
			maybe(p.ColdestDc, func(v int32) string { return say.Text("tale.coldest", w.b.Celsius(v)) }),
			maybe(p.ReadEveryH, func(v int32) string { return say.Text("tale.read_every", v) }))
	case *pb.VehicleAdded:
		w.begin(say.Text("tale.vehicle", p.Name))
		w.and(p.Registration)
	case *pb.RoleGranted:
		w.begin(say.Text("tale.roles", w.b.Person(p.Person), rolesText(p.Roles)))
	case *pb.SettingsChanged:
		w.begin(say.Text("tale.setting", strings.ReplaceAll(p.Name, "_", " "), p.Value))
	case *pb.MonthClosed:
		w.begin(say.Text("tale.month_closed", p.Month))
		w.and(quoted(p.Note))
	case *pb.PracticeFounded:
		w.begin(say.Text("tale.founded", p.Name))
		w.and(p.Zone, p.Currency, say.Text("tale.owner", p.OwnerName))
	case *pb.ClientForgotten:
		w.title(say.Text("tale.forgotten"))
		w.and(quoted(p.Reason))
	case *pb.ProductCoded:
		w.begin(say.Text("tale.product_coded", p.Gtin, w.b.Name(event.KindProduct, p.Product)))
	case *pb.ClientAdded:
		w.begin(say.Text("tale.client"))
	default:
		return w.ofRights(m)
	}
	return true
}

// ofRights tells who may write, and what the program did with its own logs.
func (w *teller) ofRights(m proto.Message) bool {
	switch p := m.(type) {
	case *pb.DeviceAdded:
		w.begin(say.Text("tale.laptop", p.Name))
		w.and(w.place(p.Place), toldOf(w.b.Name(event.KindPerson, p.Person), func(t string) string { return say.Text("tale.laptop_of", t) }))
	case *pb.ServerRestored:
		w.begin(say.Text("tale.restored", p.Name))
	case *pb.RightsRevoked:
		w.title(say.Text("tale.revoked", w.b.laptop(p.Device)))
		if len(p.Device) == 0 {
			w.title(say.Text("tale.grant_ended"))
		}
		w.and(quoted(p.Reason))
	case *pb.LogAdmitted:
		w.title(say.Text("tale.admitted"))
		w.and(quoted(p.Reason))
	case *pb.LogOpened:
		w.title(say.Text("tale.log_opened"))
		w.and(p.DeviceName, quoted(p.Reason))
	case *pb.Heard:
		w.title(say.Text("tale.heard"))
		w.and(w.batch(p.Product, p.Batch))
	case *pb.RecordsLost:
		w.wrongly(say.Text("tale.lost", p.From, p.To))
	case *pb.CopiesMet:
		w.wrongly(say.Text("tale.copies"))
		w.and(p.DeviceName)
	case *pb.SavedAgain:
		w.begin(say.Text("tale.saved_again"))
	case *pb.HubStatement:
		w.begin(say.Text("tale.statement", p.Number))
	default:
		return false
	}
	return true
}

func rolesText(roles []pb.Role) string {
	out := make([]string, len(roles))
	for i, r := range roles {
		out[i] = wording.Enum(r)
	}
	return strings.Join(out, ", ")
}

// corrected tells a correction by its reason: what stands instead is told where the
// entry itself stands.
func (w *teller) corrected(p *pb.Corrected) {
	w.title(say.Text("tale.corrected"))
	if p.Void {
		w.title(say.Text("tale.voided"))
	}
	w.and(quoted(p.Reason))
}

func (w *teller) linked(p *pb.Linked) {
	first := w.b.entityText(event.Key{Kind: p.Kind, ID: p.First})
	second := w.b.entityText(event.Key{Kind: p.Kind, ID: p.Second})
	if event.Name(w.typ) == "unlinked" {
		w.title(say.Text("tale.unlinked", first, second))
	} else {
		w.title(say.Text("tale.linked", first, second))
	}
	w.and(quoted(p.Reason))
}
