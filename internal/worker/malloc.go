package worker

/*
#include <stdlib.h>
#ifdef __GLIBC__
#include <malloc.h>
static void give_back(void) {
	mallopt(M_ARENA_MAX, 2);
	mallopt(M_MMAP_THRESHOLD, 2000000);
	mallopt(M_TRIM_THRESHOLD, 2000000);
}
#else
static void give_back(void) {}
#endif
*/
import "C"

// GiveBack has the C library give the memory of pictures back to the system when
// they are closed, and keep two arenas, however many threads ask: OpenCV's and Go's
// together make it keep many, each with a picture's room in it. It does nothing
// where the C library isn't glibc. To be called first thing.
func GiveBack() { C.give_back() }
