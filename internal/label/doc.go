// Package label reads what is printed on a bag of plasma, what a scanner types
// and what a reader finds in a chip, and makes our own bag numbers.
//
// Everything here is pure: text in, value or refusal out. Today's date, the
// time zone, the present instant and the source of random bytes come in as
// arguments. No input panics, and every function is linear in the length of
// its input, which it bounds first.
//
// # Two ways to say no
//
// What a person types into a named field goes through the Parse functions
// (ParseBag, ParseDay, ParseInstant, ParseDecimal, ParseScaled): they return a
// *refusal.Error that names the field, the value, what was expected and the
// likely slip. What a scanner delivers goes through Read, which never fails:
// it returns a Reading with all that could be read, Valid false and a Problem
// in one sentence where something is wrong.
//
// # Doubt is refused, not resolved
//
// 03/04/2027 is 3 April to one reader and 4 March to another; 1,050 is a
// little over one, or a thousand and fifty; 02:30 on the night when the clocks
// go back happened twice. A wrong guess here is a wrong dose or an expired
// bag, so such text is refused with the readings named and the way to type
// each.
//
// # Standards
//
// GS1 General Specifications (element strings, digital links, check digits,
// dates), ISO/IEC 7064 (check characters), ISO 11784 (the 64 bits of an animal
// transponder), RFC 3339 (instants). A donation number in the blood banks'
// format is only ever read, never issued: it names human donations.
package label
