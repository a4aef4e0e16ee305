package event

import (
	"cmp"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/label"
	pb "thawtrail/proto/thawtrail/v1"
)

// Kinds of entity. A record names the entities it touches in its header; each
// is folded apart from all others.
const (
	KindBag         = "bag"         // our bag number
	KindBatch       = "batch"       // BatchID: product and canonical batch code
	KindCase        = "case"        // random id
	KindDam         = "dam"         // DamKey: chip, UELN or name
	KindKit         = "kit"         // place and item: a commutative sum
	KindOrder       = "order"       // random id
	KindPlace       = "place"       // random id
	KindTemperature = "temperature" // place and month
	KindProduct     = "product"
	KindDonor       = "donor"
	KindClient      = "client"
	KindPerson      = "person"
	KindVehicle     = "vehicle"
	KindPractice    = "practice"
	KindSetting     = "setting"
	KindProtocol    = "protocol"
	KindMonth       = "month"  // a month of the books: 2026-11
	KindPrice       = "price"  // PriceID: one line of the price list, or the tax
	KindMare        = "mare"   // MareID: chip, UELN, or name and client
	KindLog         = "log"    // log id in hex: forks, doubtful times
	KindRights      = "rights" // one for the practice: who may do what
)

// Key names one entity.
type Key struct {
	Kind string
	ID   string
}

// String is kind/id.
func (k Key) String() string { return k.Kind + "/" + k.ID }

// Compare orders keys by kind, then id.
func (k Key) Compare(o Key) int {
	return cmp.Or(cmp.Compare(k.Kind, o.Kind), cmp.Compare(k.ID, o.ID))
}

// RightsKey is the one entity that holds people's and devices' rights.
var RightsKey = Key{Kind: KindRights, ID: "practice"}

// BatchID is the id of a batch: the product's id and the batch code in the form
// in which codes are compared (no spaces, no dashes, capitals).
func BatchID(product, batch string) string { return product + "/" + label.CanonicalBatch(batch) }

// KitID is the id of the sum of one item at one place.
func KitID(place string, item pb.KitItem) string { return fmt.Sprintf("%s/%d", place, item) }

// DamKey identifies a patient's dam as well as is known: chip, else UELN, else
// the name in capitals with single spaces.
func DamKey(chip, ueln, name string) string {
	switch {
	case chip != "":
		return "chip:" + chip
	case ueln != "":
		return "ueln:" + strings.ToUpper(ueln)
	case name != "":
		return "name:" + strings.ToUpper(strings.Join(strings.Fields(name), " "))
	}
	return ""
}

// MareID identifies a mare that is due: by chip or UELN, else by her name among those
// of one client.
func MareID(chip, ueln, name, client string) string {
	id := DamKey(chip, ueln, name)
	if chip == "" && ueln == "" && client != "" {
		id += "/" + client
	}
	return id
}

// PriceID identifies a line of the price list: the item, of a product or under a name.
func PriceID(item pb.PriceItem, product, name string) string {
	if item == pb.PriceItem_PRICE_ITEM_OTHER {
		product = strings.ToUpper(strings.Join(strings.Fields(name), " "))
	}
	return fmt.Sprintf("%d/%s", item, product)
}

// TaxID is the one line that is the rate of the tax.
const TaxID = "tax"

// DeviceID is the id of a device: the start of the hash of its public key.
func DeviceID(key ed25519.PublicKey) []byte {
	sum := sha256.Sum256(key)
	return sum[:16]
}

// KeysOf lists the entities that a payload touches, the primary one first. The
// author puts them into the header; readers trust the signed header.
func KeysOf(t Type, payload proto.Message, occurred time.Time) []Key {
	switch p := payload.(type) {
	case *pb.KitStocked:
		return []Key{{KindKit, KitID(p.Place, p.Item)}}
	case *pb.KitUsed:
		return caseToo([]Key{{KindKit, KitID(p.Place, p.Item)}}, p.Case)
	case *pb.KitCounted:
		return []Key{{KindKit, KitID(p.Place, p.Item)}}
	case *pb.TemperatureRead:
		return []Key{{KindTemperature, p.Place + "/" + occurred.UTC().Format("2006-01")}}
	case *pb.Linked:
		return []Key{{p.Kind, p.First}, {p.Kind, p.Second}}
	case *pb.DiscrepancyExplained:
		return []Key{{p.EntityKind, p.Entity}}
	case *pb.NoteAdded:
		return []Key{{p.EntityKind, p.Entity}}
	case *pb.HubStatement:
		return acceptedLogs(p)
	case *pb.SavedAgain:
		return carriedKeys(p)
	case *pb.RecordsLost:
		return []Key{{KindLog, hex.EncodeToString(p.Log)}}
	case *pb.CopiesMet:
		return []Key{{KindLog, hex.EncodeToString(p.Log)}}
	case *pb.PriceSet:
		return []Key{{KindPrice, PriceID(p.Item, p.Product, p.Name)}}
	case *pb.TaxSet:
		return []Key{{KindPrice, TaxID}}
	case *pb.RightsRevoked, *pb.LogAdmitted, *pb.DeviceAdded, *pb.ServerRestored:
		return []Key{RightsKey}
	}
	return ruledKeys(payload.ProtoReflect())
}

func caseToo(keys []Key, id string) []Key {
	if id != "" {
		keys = append(keys, Key{KindCase, id})
	}
	return keys
}

func acceptedLogs(p *pb.HubStatement) []Key {
	keys := make([]Key, 0, len(p.Accepted))
	for _, a := range p.Accepted {
		keys = append(keys, Key{KindLog, hex.EncodeToString(a.GetTip().GetLog())})
	}
	return keys
}

// ruledKeys reads the entity rules beside the fields, in declaration order.
func ruledKeys(m protoreflect.Message) []Key {
	var keys []Key
	add := func(kind, id string) {
		if kind == KindBatch {
			if id == "" {
				return
			}
			id = BatchID(m.Get(m.Descriptor().Fields().ByName("product")).String(), id)
		}
		if k := (Key{kind, id}); id != "" && !slices.Contains(keys, k) {
			keys = append(keys, k)
		}
	}
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		kind := RuleOf(f).Entity
		switch {
		case kind == "" || f.Kind() != protoreflect.StringKind:
		case f.IsList():
			list := m.Get(f).List()
			for j := range list.Len() {
				add(kind, list.Get(j).String())
			}
		default:
			add(kind, m.Get(f).String())
		}
	}
	return keys
}

// rightsTypes touch the practice's rights beside what their headers name.
var rightsTypes = map[Type]bool{
	TypeLogOpened: true, TypePracticeFounded: true, TypeDeviceAdded: true,
	TypeRoleGranted: true, TypeRightsRevoked: true, TypeLogAdmitted: true, TypeServerRestored: true,
}

// Event types that carry rights.
const (
	TypePracticeFounded Type = 10
	TypeDeviceAdded     Type = 14
	TypeRoleGranted     Type = 15
	TypeRightsRevoked   Type = 16
	TypeLogAdmitted     Type = 17
	TypeServerRestored  Type = 24
)

// Rights says that the record is one of those that make rights.
func (r *Record) Rights() bool { return rightsTypes[r.Original().Head.Type] }

// Touches lists the entities the record is folded into: those its header names
// and those that follow from its nature. The first is the primary one.
func (r *Record) Touches() []Key {
	keys := make([]Key, 0, len(r.Head.Entities)+2)
	for _, e := range r.Head.Entities {
		keys = append(keys, Key{e.GetKind(), e.GetId()})
	}
	if r.Head.Type == TypeLogOpened || r.TimeInDoubt() {
		keys = append(keys, LogKey(r.Log))
	}
	if r.Rights() && !slices.Contains(keys, RightsKey) {
		keys = append(keys, RightsKey)
	}
	return keys
}

// LogKey is the entity of a log.
func LogKey(log LogID) Key { return Key{KindLog, log.String()} }

// Primary is the entity that owns what concerns the record as a whole.
func (r *Record) Primary() Key {
	if e := r.Head.Entities; len(e) > 0 {
		return Key{e[0].GetKind(), e[0].GetId()}
	}
	if keys := r.Touches(); len(keys) > 0 {
		return keys[0]
	}
	return LogKey(r.Log)
}
