// Package sms turns texts into the octets of short messages and back: the GSM
// 7-bit default alphabet and UCS-2 (3GPP TS 23.038), packing, concatenation by
// user data header, and the transfer units that a modem speaks (3GPP TS 23.040
// SMS-SUBMIT, SMS-DELIVER and SMS-STATUS-REPORT).
//
// Guarantee: pure; safe for concurrent use but for an [Assembly], which belongs
// to one goroutine. Nothing that comes in can make it panic, or keep more than
// the bounds that are named here.
//
// It knows no gateway and opens nothing. National language tables, compression
// and application ports are not read; a message that has them is shown as well
// as the default alphabet can.
//
// Sources: the alphabet and the packing values that the tests hold are those
// of the project's collection of facts (3GPP TS 23.038 by way of an independent
// implementation). The layout of the transfer units is from memory of 3GPP TS
// 23.040 section 9.2.
package sms
