//! What the system's allocator does with memory that was given back.

/// Blocks of this size and above are the system's own mappings, which go back to it whole.
#[cfg(target_env = "gnu")]
const OWN_MAPPING: libc::c_int = 128 * 1024;

/// Keeps the bound from which blocks are mappings of their own where it is. Without this glibc raises it with each such
/// block that is freed: the buffers of voices would come to lie all over the heap, and memory would stay at the sum of
/// all places where one ever lay (mallopt(3), `M_MMAP_THRESHOLD`).
#[allow(unsafe_code)]
pub fn give_back() {
    // SAFETY: sets a number of the allocator's own; any value is allowed, at any time.
    #[cfg(target_env = "gnu")]
    unsafe {
        libc::mallopt(libc::M_MMAP_THRESHOLD, OWN_MAPPING);
    }
}
