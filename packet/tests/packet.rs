//! Packets: sealed twice, damaged in every way, read by other people's programs.

mod packet {
    mod bags;
    mod damage;
    mod documents;
    mod outside;
    mod sample;
    mod sealing;
}
