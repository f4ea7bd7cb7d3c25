// Must hold: the theorem at the top of interruption.hpp.
#include "harness/files/interruption.hpp"

#include <gtest/gtest.h>
#include <signal.h>
#include <sys/wait.h>
#include <unistd.h>

#include <functional>
#include <optional>

namespace rackproof::files {
namespace {

/// How a child ends that does this: negative for a signal.
int ending_of(const std::function<void()>& deed) {
  const pid_t child = ::fork();
  if (child == 0) {
    for (const int number : {SIGINT, SIGTERM, SIGHUP}) ::signal(number, SIG_DFL);
    deed();
    ::_exit(0);
  }
  int status = 0;
  ::waitpid(child, &status, 0);
  return WIFSIGNALED(status) ? -WTERMSIG(status) : WEXITSTATUS(status);
}

/// With a signal as it is in a terminal or in a background job, whatever this program was started with.
class Disposition {
 public:
  Disposition(int number, void (*handler)(int)) : number_(number) {
    struct sigaction action {};
    action.sa_handler = handler;
    sigaction(number, &action, &before_);
  }
  ~Disposition() { sigaction(number_, &before_, nullptr); }
  Disposition(const Disposition&) = delete;
  Disposition& operator=(const Disposition&) = delete;

 private:
  int number_;
  struct sigaction before_ {};
};
auto handler_of(int number) {
  struct sigaction now {};
  sigaction(number, nullptr, &now);
  return now.sa_handler;
}

TEST(Interruption, TurnsSignalsIntoAnExceptionAndPutsAllBack) {
  const Disposition interrupt(SIGINT, SIG_DFL), terminate(SIGTERM, SIG_DFL), hang_up(SIGHUP, SIG_DFL);
  {
    const Interruption interruption;
    EXPECT_NO_THROW(interruption.check());
    for (const int number : {SIGINT, SIGTERM, SIGHUP}) {
      ::raise(number);
      EXPECT_THROW(interruption.check(), Interrupted);
    }
    ::raise(SIGXFSZ);
  }
  for (const int number : {SIGINT, SIGTERM, SIGHUP}) EXPECT_EQ(handler_of(number), SIG_DFL) << number;
  const Interruption anew;
  EXPECT_NO_THROW(anew.check());
}

TEST(Interruption, ASignalThatNobodyHasCheckedForEndsTheProgramOnceTheLastIsGone) {
  for (const int number : {SIGINT, SIGTERM, SIGHUP}) {
    EXPECT_EQ(ending_of([&] {
                std::optional<Interruption> outer(std::in_place), inner(std::in_place);
                ::raise(number);
                outer.reset();
                if (::write(STDERR_FILENO, "", 0) != 0) ::_exit(1);  // still here
                inner.reset();
                ::_exit(2);
              }),
              -number);
    EXPECT_EQ(ending_of([&] {  // the control: one that was told
                {
                  const Interruption interruption;
                  ::raise(number);
                  try {
                    interruption.check();
                  } catch (const Interrupted&) {}
                }
                ::_exit(3);
              }),
              3);
    EXPECT_EQ(ending_of([&] {
                const Interruption interruption;
                ::raise(number);
                try {
                  interruption.check();
                } catch (const Interrupted& interrupted) {
                  die_of(interrupted.signal_number);
                }
              }),
              -number);
  }
}

TEST(Interruption, LeavesAloneWhatIsIgnored) {
  for (const int number : {SIGINT, SIGTERM, SIGHUP}) {
    const Disposition ignored(number, SIG_IGN);
    const Interruption interruption;
    ::raise(number);
    EXPECT_NO_THROW(interruption.check()) << number;
    EXPECT_EQ(handler_of(number), SIG_IGN) << number;
  }
}

}  // namespace
}  // namespace rackproof::files
