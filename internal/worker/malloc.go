package worker

/*
#include <stdlib.h>
#ifdef __GLIBC__
#include <malloc.h>
static void give_back(void) {
	mallopt(M_ARENA_MAX, 2);
	mallopt(M_MMAP_THRESHOLD, 6000000);
	mallopt(M_TRIM_THRESHOLD, 6000000);
}
static void trim(void) { malloc_trim(0); }
#else
static void give_back(void) {}
static void trim(void) {}
#endif
*/
import "C"

// GiveBack has the C library give the memory of whole pictures back to the system
// when they are closed, while that of reduced ones, of which there are many, is kept
// at hand: asking for it anew takes longer than filling it. And it has it keep two
// arenas, however many threads ask: OpenCV's and Go's together make it keep many,
// each with a picture's room in it. It does nothing where the C library isn't glibc.
// To be called first thing.
func GiveBack() { C.give_back() }

// Trim has the C library give back now what it keeps at hand. It takes a
// millisecond or so, and as long again where the memory is wanted after all.
func Trim() { C.trim() }
