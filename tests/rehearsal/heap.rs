//! How much a thread's code holds.

use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;

thread_local! {
    static HELD: Cell<isize> = const { Cell::new(0) };
}

/// Octets that this thread has taken and not given back.
pub fn held() -> isize {
    HELD.get()
}

struct Counted;

fn count(octets: usize, sign: isize) {
    let octets = isize::try_from(octets).unwrap_or(isize::MAX);
    HELD.set(HELD.get().wrapping_add(sign * octets));
}

// SAFETY: hands everything on to the system's allocator, unchanged.
unsafe impl GlobalAlloc for Counted {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        count(layout.size(), 1);
        unsafe { System.alloc(layout) }
    }
    unsafe fn dealloc(&self, pointer: *mut u8, layout: Layout) {
        count(layout.size(), -1);
        unsafe { System.dealloc(pointer, layout) }
    }
    unsafe fn realloc(&self, pointer: *mut u8, layout: Layout, size: usize) -> *mut u8 {
        count(layout.size(), -1);
        count(size, 1);
        unsafe { System.realloc(pointer, layout, size) }
    }
}

#[global_allocator]
static COUNTED: Counted = Counted;
