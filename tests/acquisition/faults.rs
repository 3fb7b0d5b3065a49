//! Every way in which a Modbus TCP server was seen to misbehave.

use std::time::Duration;

use coldledger::acquisition::HealthReport;
use coldledger::engine::PollFault;
use coldledger::plant::RegisterTable;
use tokio::task::JoinSet;

use crate::support::{Asked, Polling, Step, block, device, scripted_value, serve};

const TIMEOUT_MS: i64 = 300;
const LATE: Duration = Duration::from_millis(420);

/// What the server does about the request that meets the fault.
type Fault = fn(&Asked) -> Vec<Step>;

/// Polls two blocks of equal length while every fifth request meets the fault, until the fault was
/// met six times, and returns the faults and the counters. A wrong value fails at once.
async fn poll_through(fault: Fault) -> (Vec<PollFault>, HealthReport) {
    let mut servers = JoinSet::new();
    let address = serve(&mut servers, move |asked| {
        if asked.number % 5 == 3 {
            fault(asked)
        } else {
            vec![Step::Send(asked.reply())]
        }
    })
    .await;
    let mut polling = Polling::start(
        device("IO-1", TIMEOUT_MS),
        address,
        vec![
            block(RegisterTable::Holding, 0, 4, 20),
            block(RegisterTable::Input, 100, 4, 20),
        ],
    );
    let mut faults = Vec::new();
    let mut good_since_fault = 0;
    let mut good = 0;
    while good < 24 || good_since_fault < 3 {
        let polled = polling.next().await.poll;
        match polled.words {
            Ok(words) => {
                let key = &polled.block;
                let expected: Vec<u16> = (key.address..key.address + key.words)
                    .map(|a| scripted_value(key.table.function(), a))
                    .collect();
                assert_eq!(words, expected, "a wrong value was delivered for {key:?}");
                good += 1;
                good_since_fault += 1;
            }
            Err(fault) => {
                good_since_fault = 0;
                faults.push(fault);
                assert!(faults.len() < 200, "does not recover: {faults:?}");
            }
        }
    }
    (faults, polling.health.report())
}

/// The fault is told as expected each time it is met, and costs one connection each time.
async fn told_as(expected: PollFault, fault: Fault) {
    let (faults, report) = poll_through(fault).await;
    assert!(faults.len() >= 5, "the fault was not met: {faults:?}");
    assert!(
        faults.iter().all(|fault| *fault == expected),
        "{expected:?} expected, told {faults:?}"
    );
    assert_eq!(report.resyncs, faults.len() as u64, "{report:?}");
    assert_eq!(report.connects, 1 + report.resyncs, "{report:?}");
    assert!(!report.last_fault.is_empty());
}

fn changed(asked: &Asked, change: fn(&mut Vec<u8>)) -> Vec<Step> {
    let mut reply = asked.reply();
    change(&mut reply);
    vec![Step::Send(reply)]
}

#[tokio::test]
async fn late_reply_is_never_taken_for_the_next_one() {
    told_as(PollFault::TimedOut, |asked| {
        vec![Step::Pause(LATE), Step::Send(asked.reply())]
    })
    .await;
}

#[tokio::test]
async fn no_reply_times_out() {
    told_as(PollFault::TimedOut, |_| Vec::new()).await;
}

#[tokio::test]
async fn wrong_transaction_id_is_refused() {
    told_as(PollFault::Mismatch, |asked| {
        changed(asked, |r| r[1] ^= 0x40)
    })
    .await;
}

#[tokio::test]
async fn reply_to_the_previous_transaction_is_refused() {
    told_as(PollFault::Mismatch, |asked| {
        changed(asked, |r| {
            let id = u16::from_be_bytes([r[0], r[1]])
                .wrapping_sub(1)
                .to_be_bytes();
            r[..2].copy_from_slice(&id);
        })
    })
    .await;
}

#[tokio::test]
async fn wrong_unit_is_refused() {
    told_as(PollFault::Mismatch, |asked| changed(asked, |r| r[6] = 2)).await;
}

#[tokio::test]
async fn wrong_function_is_refused() {
    told_as(PollFault::Mismatch, |asked| {
        changed(asked, |r| r[7] = 7 - r[7])
    })
    .await;
}

#[tokio::test]
async fn wrong_protocol_id_is_refused() {
    told_as(PollFault::Broken, |asked| changed(asked, |r| r[3] = 1)).await;
}

#[tokio::test]
async fn zero_length_is_refused() {
    told_as(PollFault::Broken, |asked| changed(asked, |r| r[5] = 0)).await;
}

#[tokio::test]
async fn odd_byte_count_is_refused() {
    told_as(PollFault::Broken, |asked| {
        vec![Step::Send(asked.frame(&[
            asked.function,
            7,
            0,
            1,
            0,
            2,
            0,
            3,
            0,
        ]))]
    })
    .await;
}

#[tokio::test]
async fn length_of_ffff_times_out() {
    told_as(PollFault::TimedOut, |asked| {
        changed(asked, |r| r[4..6].copy_from_slice(&[0xff, 0xff]))
    })
    .await;
}

#[tokio::test]
async fn three_junk_bytes_time_out() {
    told_as(PollFault::TimedOut, |_| vec![Step::Send(vec![1, 2, 3])]).await;
}

#[tokio::test]
async fn junk_before_the_reply_is_refused() {
    let (faults, _) = poll_through(|asked| {
        let mut bytes = vec![0xde, 0xad, 0xbe];
        bytes.extend(asked.reply());
        vec![Step::Send(bytes)]
    })
    .await;
    assert!(faults.len() >= 5, "{faults:?}");
}

#[tokio::test]
async fn too_few_registers_are_refused() {
    told_as(PollFault::Mismatch, |asked| {
        vec![Step::Send(asked.reply_of(3))]
    })
    .await;
}

#[tokio::test]
async fn no_registers_are_refused() {
    told_as(PollFault::Mismatch, |asked| {
        vec![Step::Send(asked.reply_of(0))]
    })
    .await;
}

#[tokio::test]
async fn too_many_registers_are_refused() {
    told_as(PollFault::Mismatch, |asked| {
        vec![Step::Send(asked.reply_of(5))]
    })
    .await;
}

#[tokio::test]
async fn byte_count_larger_than_the_frame_is_refused() {
    let (faults, _) = poll_through(|asked| changed(asked, |r| r[8] = 200)).await;
    assert!(faults.len() >= 5, "{faults:?}");
}

#[tokio::test]
async fn close_instead_of_a_reply_is_told() {
    told_as(PollFault::Broken, |_| vec![Step::Close]).await;
}

#[tokio::test]
async fn close_within_a_reply_is_told() {
    told_as(PollFault::Broken, |asked| {
        vec![Step::Send(asked.reply()[..11].to_vec()), Step::Close]
    })
    .await;
}

#[tokio::test]
async fn reset_within_a_reply_is_told() {
    told_as(PollFault::Broken, |asked| {
        vec![Step::Send(asked.reply()[..11].to_vec()), Step::Reset]
    })
    .await;
}

#[tokio::test]
async fn reply_cut_short_times_out() {
    told_as(PollFault::TimedOut, |asked| {
        vec![Step::Send(asked.reply()[..13].to_vec())]
    })
    .await;
}

#[tokio::test]
async fn exceptions_are_told_with_their_code_and_cost_no_connection() {
    let codes: [(u8, Fault); 3] = [
        (0x02, |asked| vec![Step::Send(asked.exception(0x02))]),
        (0x0b, |asked| vec![Step::Send(asked.exception(0x0b))]),
        (0x77, |asked| vec![Step::Send(asked.exception(0x77))]),
    ];
    for (code, fault) in codes {
        let (faults, report) = poll_through(fault).await;
        assert!(faults.len() >= 5);
        assert!(
            faults.iter().all(|f| *f == PollFault::Exception(code)),
            "{code:#x}: {faults:?}"
        );
        assert_eq!((report.resyncs, report.connects), (0, 1));
        assert_eq!(report.exceptions, faults.len() as u64);
    }
}

#[tokio::test]
async fn reply_one_byte_at_a_time_is_accepted() {
    let (faults, report) = poll_through(|asked| {
        asked
            .reply()
            .into_iter()
            .flat_map(|byte| {
                [
                    Step::Send(vec![byte]),
                    Step::Pause(Duration::from_millis(1)),
                ]
            })
            .collect()
    })
    .await;
    assert_eq!(faults, [], "{report:?}");
}

#[tokio::test]
async fn duplicate_reply_never_stands_for_the_next_one() {
    // Whether the second copy is discarded or refused depends on when it arrives; a value of the
    // other block would be caught by its address.
    let (faults, report) = poll_through(|asked| {
        let twice = asked.reply();
        vec![Step::Send([twice.clone(), twice].concat())]
    })
    .await;
    assert!(
        faults.iter().all(|fault| *fault == PollFault::Mismatch),
        "{faults:?}"
    );
    assert_eq!(report.resyncs, faults.len() as u64);
}

#[tokio::test]
async fn late_duplicate_never_stands_for_the_next_one() {
    let (faults, _) = poll_through(|asked| {
        vec![
            Step::Send(asked.reply()),
            Step::Pause(Duration::from_millis(5)),
            Step::Send(asked.reply()),
        ]
    })
    .await;
    assert!(
        faults.iter().all(|fault| *fault == PollFault::Mismatch),
        "{faults:?}"
    );
}

#[tokio::test]
async fn no_change_of_header_or_length_gives_a_wrong_value() {
    // All that is not a register's bits is fair game: one byte of the header changed to any of a
    // few values, bytes dropped from the end, junk before or behind.
    let mut servers = JoinSet::new();
    let address = serve(&mut servers, |asked| {
        let mut reply = asked.reply();
        // Every other request goes well.
        let n = asked.number / 2;
        let kind = if asked.number % 2 == 0 { 0 } else { 1 + n % 3 };
        match kind {
            1 => {
                let place = (n / 3) % 9;
                reply[place] = reply[place].wrapping_add([1, 0x80, 0xff, 7][(n / 27) % 4]);
            }
            2 => reply.truncate(reply.len().saturating_sub(1 + (n / 3) % 8)),
            3 => {
                let junk: Vec<u8> = (0..=(n / 3) % 9)
                    .map(|k| (k * 91 + n).to_le_bytes()[0])
                    .collect();
                reply = if n % 2 == 0 {
                    [junk, reply].concat()
                } else {
                    [reply, junk].concat()
                };
            }
            _ => {}
        }
        vec![Step::Send(reply)]
    })
    .await;
    let mut polling = Polling::start(
        device("IO-1", 20),
        address,
        vec![
            block(RegisterTable::Holding, 0, 4, 10),
            block(RegisterTable::Input, 100, 4, 10),
        ],
    );
    let (mut good, mut bad) = (0, 0);
    while good + bad < 400 {
        let polled = polling.next().await.poll;
        let key = &polled.block;
        match polled.words {
            Ok(words) => {
                let expected: Vec<u16> = (key.address..key.address + key.words)
                    .map(|a| scripted_value(key.table.function(), a))
                    .collect();
                assert_eq!(words, expected, "a wrong value was delivered for {key:?}");
                good += 1;
            }
            Err(_) => bad += 1,
        }
    }
    assert!(good > 100 && bad > 100, "{good} good, {bad} bad");
}

#[tokio::test]
async fn connection_closed_at_rest_costs_no_poll() {
    // Some devices close a connection that rests. Every poll of a slow block would then meet the
    // close, and the block would never be read.
    let mut servers = JoinSet::new();
    let address = serve(&mut servers, |asked| {
        vec![Step::Send(asked.reply()), Step::Close]
    })
    .await;
    let mut polling = Polling::start(
        device("IO-1", 500),
        address,
        vec![block(RegisterTable::Holding, 0, 4, 1_200)],
    );
    for _ in 0..3 {
        assert!(polling.next().await.poll.words.is_ok());
    }
    assert_eq!(polling.health.report().resyncs, 2);
}
