//! Jobs on a few threads, with results in the order of the jobs.

use std::sync::atomic::{AtomicUsize, Ordering};

/// Calls `work` for every job and gives the results in the order of the jobs, whichever thread was
/// quicker. A thread that panics takes the whole with it.
pub fn in_parallel<J: Sync, R: Send>(
    jobs: &[J],
    threads: usize,
    work: impl Fn(&J) -> R + Sync,
) -> Vec<R> {
    let next = AtomicUsize::new(0);
    let mut found: Vec<(usize, R)> = std::thread::scope(|scope| {
        let workers: Vec<_> = (0..threads.max(1))
            .map(|_| {
                scope.spawn(|| {
                    let mut mine = Vec::new();
                    loop {
                        let at = next.fetch_add(1, Ordering::Relaxed);
                        let Some(job) = jobs.get(at) else {
                            return mine;
                        };
                        mine.push((at, work(job)));
                    }
                })
            })
            .collect();
        workers
            .into_iter()
            .flat_map(|worker| match worker.join() {
                Ok(found) => found,
                Err(panic) => std::panic::resume_unwind(panic),
            })
            .collect()
    });
    found.sort_by_key(|(at, _)| *at);
    found.into_iter().map(|(_, result)| result).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn results_come_in_the_order_of_the_jobs() {
        let jobs: Vec<u64> = (0..200).collect();
        for threads in [1, 2, 7] {
            let found = in_parallel(&jobs, threads, |job| job * job);
            assert_eq!(found, jobs.iter().map(|job| job * job).collect::<Vec<_>>());
        }
        assert!(in_parallel(&[] as &[u64], 2, |job| *job).is_empty());
    }
}
