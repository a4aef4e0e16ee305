// Package handover puts a running case into characters that are typed from one
// laptop's screen into another's, in a barn without a network and without a
// stick: the least that lets the running sheet go on truly.
//
// # The code
//
// 56 characters of base 32 (without I, L, O and U) in four rows of 14: 52 that
// say something, 260 bits, and one check character a row.
//
//	bits  what
//	   3  version: 2
//	  50  case: its whole id, so that the records meet when the laptops do
//	  40  bag: its number without the check character
//	  14  weight in 0.1 kg; 0 none
//	  13  mL of this bag as last read; 8191 not read yet
//	  13  mL of earlier bags of this case
//	  13  rate in mL/h; 8191 none noted
//	  11  start of this bag: minutes since 1970, the last 11 bits
//	   8  set attached: minutes before the start; 255 not noted
//	   8  mL read: minutes after the start; 255 none, or later
//	   8  next vitals: minutes after the start; 255 none, or later
//	   3  reaction seen, slow stage, clamp shut
//	  10  a check over the dam's name and the mark
//	   1  zero
//	      fourth row
//	   8  made: minutes after the start; 255 later
//	   8  last look: minutes before the code was made; 255 none, or earlier
//	   8  its temperature in 0.1 C over 25.0; 255 none
//	   9  its heart rate; 511 none
//	   8  its breathing rate; 255 none
//	  24  temperature, heart rate in steps of 2, breathing rate of the baseline; 255 none
//
// A code of version 1 is the first three rows, with 1 as its version: a program that
// is a little older shows it, and it is read as well. Without the fourth row alarms
// begin anew with the first look at the second laptop.
//
// A letter of a name costs a character in a code as it does in words, and words
// are read without slips. So the dam's name and the mark are not in the code: they
// stand beside it and are typed in words, and ten bits of the code check them:
// the check character of ISO/IEC 7064 MOD 37,36 over their letters and digits, and
// four bits of their SHA-256.
//
// The start's eleven bits mean the newest such minute that is not more than two
// hours after the reading laptop's clock: right for a code that is typed within a
// day of the start, by laptops whose clocks differ by less than two hours.
//
// # The check of a row
//
// The characters x0 ... x13 of row r are elements of the field of 32 elements
// (modulo z^5 + z^2 + 1). They fulfil
//
//	x0 + a x1 + a^2 x2 + ... + a^13 x13 = r        a = z, r = 1, 2, 3, 4
//
// The fourteen powers of a all differ and none is zero, so one wrong character, a
// swap of any two characters of the row, and a row in another's place are always
// found, and the row is named. Two wrong characters in one row pass the row in 1
// of 31 cases; the bag's own rules and the person who compares what is shown stand
// behind that.
//
// Pure: the clock is handed in.
package handover
