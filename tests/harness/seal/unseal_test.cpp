// Must hold: a rig beside which a seal stands, whole or damaged, by its own name or behind a link, is not written into
// unless that is asked for; the old one is then kept byte for byte, with its mode, under a name that nothing had, or
// nothing changes at all. A rig without a seal is written into as it always was.
#include "harness/seal/unseal.hpp"

#include <gmock/gmock.h>
#include <sys/stat.h>

#include "harness/errors.hpp"
#include "tests/harness/scratch.hpp"

namespace rackproof::seal {
namespace {

using test::bytes_of;
using test::put;
using testing::AllOf;
using testing::HasSubstr;

class SealedRig : public testing::Test {
 protected:
  SealedRig() { put(rig_, kOld); }
  void sealed() const { put(scratch_ / "rig.seal", "any"); }
  std::optional<Kept> write(std::string_view text, bool unseal) const {
    rig::EditedFile file(rig_);
    return replace(file, text, unseal);
  }
  static inline const std::string kOld = "# mine\r\nformat = 1\n\n", kNew = "format = 1\n", kThird = "third = 3\n",
                                  kFourth = "fourth = 4\n";
  test::Scratch scratch_;
  const std::filesystem::path rig_ = scratch_ / "rig.toml";
};

TEST_F(SealedRig, WithoutASealIsWrittenIntoAndNothingIsKept) {
  EXPECT_FALSE(sealed_rig(rig_));
  for (const bool unseal : {false, true}) {
    EXPECT_NO_THROW(refuse_sealed(rig::EditedFile(rig_), unseal));
    EXPECT_FALSE(write(kNew, unseal));
    EXPECT_EQ(bytes_of(rig_), kNew);
    EXPECT_EQ(scratch_.names(), std::set<std::string>{"rig.toml"});
    put(rig_, kOld);
  }
}

TEST_F(SealedRig, IsRefusedWithTheRigTheSealAndWhatToDo) {
  sealed();
  const auto told = [&](const auto& work) -> std::string {
    try {
      work();
    } catch (const InputError& refusal) {
      return refusal.what();
    }
    return "it was not refused";
  };
  const auto names_all =
      AllOf(HasSubstr("rig.toml: "), HasSubstr("rig.seal"), HasSubstr("--unseal"), HasSubstr("rig.kept-1.toml"));
  EXPECT_THAT(told([&] { refuse_sealed(rig::EditedFile(rig_), false); }), names_all);
  EXPECT_THAT(told([&] { write(kNew, false); }), names_all);
  EXPECT_EQ(bytes_of(rig_), kOld);
  EXPECT_EQ(scratch_.names(), (std::set<std::string>{"rig.toml", "rig.seal"}));
}

TEST_F(SealedRig, IsKeptByteForByteEachTimeUnderANameOfItsOwn) {
  sealed();
  ASSERT_EQ(::chmod(rig_.c_str(), 0640), 0);
  const std::optional<Kept> first = write(kNew, true);
  ASSERT_TRUE(first);
  EXPECT_EQ(first->file, scratch_ / "rig.kept-1.toml");
  EXPECT_EQ(first->seal, scratch_ / "rig.seal");
  EXPECT_EQ(bytes_of(first->file), kOld);
  EXPECT_EQ(bytes_of(rig_), kNew);
  for (const std::filesystem::path& file : {first->file, rig_})
    EXPECT_EQ(std::filesystem::status(file).permissions(), std::filesystem::perms(0640)) << file;
  EXPECT_EQ(bytes_of(scratch_ / "rig.seal"), "any");

  const std::optional<Kept> second = write(kThird, true);
  ASSERT_TRUE(second);
  EXPECT_EQ(second->file, scratch_ / "rig.kept-2.toml");
  EXPECT_EQ(bytes_of(second->file), kNew);
  EXPECT_EQ(bytes_of(first->file), kOld) << "a kept file was replaced";
  // A name behind which a link leads nowhere is one that something has, too.
  std::filesystem::create_symlink("nowhere", scratch_ / "rig.kept-3.toml");
  EXPECT_EQ(kept_file_of(rig_, kFourth), scratch_ / "rig.kept-4.toml");
  // Nothing to be changed: nothing to be kept.
  EXPECT_FALSE(write(kThird, true));
  EXPECT_FALSE(std::filesystem::exists(scratch_ / "rig.kept-4.toml"));
}

// A run that was killed ahead of its last step has kept the old one already; one byte more or less is another file.
TEST_F(SealedRig, ThatIsKeptAlreadyIsNotKeptTwice) {
  sealed();
  put(scratch_ / "rig.kept-1.toml", kOld + "\n");
  put(scratch_ / "rig.kept-2.toml", kOld.substr(1));
  put(scratch_ / "rig.kept-3.toml", kOld);
  const std::optional<Kept> kept = write(kNew, true);
  ASSERT_TRUE(kept);
  EXPECT_EQ(kept->file, scratch_ / "rig.kept-3.toml");
  EXPECT_EQ(bytes_of(rig_), kNew);
  EXPECT_EQ(bytes_of(scratch_ / "rig.kept-1.toml"), kOld + "\n");
  EXPECT_EQ(bytes_of(scratch_ / "rig.kept-3.toml"), kOld);
  EXPECT_EQ(scratch_.names().size(), 5u);
}

TEST_F(SealedRig, ThatSomebodySavedMeanwhileStaysAndNothingIsKept) {
  sealed();
  rig::EditedFile file(rig_);
  put(scratch_ / "other", "theirs = 1\n");
  std::filesystem::rename(scratch_ / "other", rig_);
  EXPECT_THROW(replace(file, kNew, true), InputError);
  EXPECT_EQ(bytes_of(rig_), "theirs = 1\n");
  EXPECT_EQ(scratch_.names(), (std::set<std::string>{"rig.toml", "rig.seal"}));
}

TEST_F(SealedRig, ThatCannotBeKeptIsNotWrittenInto) {
  rig::EditedFile file(rig_);
  put(scratch_ / "taken.toml", "somebody's");
  EXPECT_THROW(file.replace(kNew, scratch_ / "taken.toml"), InputError);
  EXPECT_EQ(bytes_of(scratch_ / "taken.toml"), "somebody's");
  EXPECT_EQ(bytes_of(rig_), kOld);
  EXPECT_EQ(scratch_.names(), (std::set<std::string>{"rig.toml", "taken.toml"}));
}

TEST_F(SealedRig, IsFoundBehindALink) {
  sealed();
  const std::filesystem::path link = scratch_ / "tonight.toml";
  std::filesystem::create_symlink("rig.toml", link);
  EXPECT_THROW(refuse_sealed(rig::EditedFile(link), false), InputError);
  rig::EditedFile file(link);
  const std::optional<Kept> kept = replace(file, kNew, true);
  ASSERT_TRUE(kept);
  EXPECT_EQ(kept->file.filename(), "rig.kept-1.toml");  // where its seal fits it
  EXPECT_EQ(bytes_of(kept->file), kOld);
  EXPECT_TRUE(std::filesystem::is_symlink(link));
  EXPECT_EQ(bytes_of(rig_), kNew);
}

TEST_F(SealedRig, NamesWithoutTheUsualEndAreKeptToo) {
  EXPECT_EQ(kept_file_of(scratch_ / "harbour", kOld), scratch_ / "harbour.kept-1");
  EXPECT_EQ(kept_file_of(scratch_ / "harbour.v2.toml", kOld), scratch_ / "harbour.v2.kept-1.toml");
}

}  // namespace
}  // namespace rackproof::seal
